/* A learner in memory that the caller gives: what the constructors in Python make. */
#include <string.h>

#include "breathmap_learner.h"

/* Hands out pieces of the caller's memory, or only counts them where there is none. */
struct bump {
    uint8_t *start;
    size_t used;
};

static void *piece(struct bump *memory, size_t bytes)
{
    void *at = memory->start == NULL ? NULL : memory->start + memory->used;
    memory->used += (bytes + sizeof(double) - 1) / sizeof(double) * sizeof(double);
    return at;
}

static bl_real *reals(struct bump *memory, size_t count)
{
    return piece(memory, count * sizeof(bl_real));
}

static double *doubles(struct bump *memory, size_t count)
{
    return piece(memory, count * sizeof(double));
}

static int32_t terms_of(const struct bl_settings *settings)
{
    return settings->film_terms + (settings->charge_lead ? 1 : 0);
}

static void place_seen(struct bump *memory, struct bl_seen *seen, size_t n_terms)
{
    seen->terms = doubles(memory, n_terms);
    seen->input = doubles(memory, BL_IN_FIXED + n_terms);
    seen->before = doubles(memory, BL_IN_FIXED + n_terms);
    seen->low = doubles(memory, 3);
    seen->band = doubles(memory, 6);
}

static void place_evidence(struct bump *memory, struct bl_evidence *evidence, size_t cells,
                           size_t n_terms)
{
    evidence->cells = reals(memory, BL_PER_CELL * cells);
    evidence->border = reals(memory, n_terms * cells);
    evidence->corner = reals(memory, n_terms * (n_terms + 1) / 2);
    evidence->term_rhs = reals(memory, n_terms);
    evidence->term_x = reals(memory, n_terms);
    evidence->term_dot = reals(memory, n_terms);
    evidence->sums = reals(memory, BL_SUMS);
    evidence->block_score = reals(memory, BL_BLOCK_CELLS);
    evidence->block_index = piece(memory, BL_BLOCK_CELLS * sizeof(uint16_t));
    evidence->held = NULL;
    if (sizeof(bl_real) == sizeof(double)) return;
    size_t count = bl_held_count((int32_t)n_terms);
    struct bl_held *held = piece(memory, sizeof *held), made;
    made.place = piece(memory, count * sizeof(uint16_t));
    made.base = reals(memory, count);
    made.added = doubles(memory, count);
    if (held == NULL) return;
    *held = made;
    evidence->held = held;
}

static void place_history(struct bump *memory, struct bl_history *history, size_t size,
                          size_t banks)
{
    bl_real **common[] = {
        &history->time_s,   &history->speed_rpm, &history->load,
        &history->throttle, &history->target,    &history->turned,
    };
    for (size_t k = 0; k < sizeof common / sizeof *common; k++) *common[k] = reals(memory, size);
    for (size_t bank = 0; bank < banks; bank++) {
        history->commanded[bank] = reals(memory, size);
        history->air[bank] = reals(memory, size);
        history->passed_cm3[bank] = reals(memory, size);
    }
    history->gas_cm3 = doubles(memory, banks);
}

/* Lay everything out; the same walk counts and places. */
static struct bl_learner *place(struct bump *memory, const struct bl_settings *settings,
                                size_t size)
{
    size_t banks = (size_t)settings->bank_count, n_terms = (size_t)terms_of(settings);
    struct bl_learner *learner = piece(memory, sizeof *learner), unused;
    struct bl_bank_learner *made = piece(memory, banks * sizeof *made), scratch;
    struct bl_learner *to = learner == NULL ? &unused : learner;
    to->banks = made;
    for (size_t k = 0; k < banks; k++) {
        const struct bl_table *table = &settings->banks[k].table;
        struct bl_bank_learner *bank = made == NULL ? &scratch : made + k;
        place_seen(memory, &bank->seen, n_terms);
        place_evidence(memory, &bank->evidence,
                       (size_t)table->speed_count * (size_t)table->load_count, n_terms);
    }
    place_history(memory, &to->history, size, banks);
    to->air = doubles(memory, banks);
    to->gas_cm3 = doubles(memory, banks);
    return learner;
}

static bool can_be(const struct bl_settings *settings, double rate_hz)
{
    if (settings->bank_count < 1 || settings->bank_count > BL_MAX_BANKS) return false;
    if (settings->film_terms < 0 || settings->film_terms > 3) return false;
    if (!(rate_hz > 0.0 && settings->history_s > 0.0)) return false;
    if (!(settings->history_s * rate_hz < 1e6)) return false;
    for (int32_t k = 0; k < settings->bank_count; k++) {
        const struct bl_table *table = &settings->banks[k].table;
        if (table->speed_count < 2 || table->load_count < 2) return false;
        /* The places of held numbers are of 16 bits. */
        if (table->speed_count > 64 || table->load_count > 64) return false;
    }
    return true;
}

static size_t points(const struct bl_settings *settings, double rate_hz)
{
    return (size_t)(settings->history_s * rate_hz) + 4;
}

size_t bl_learner_bytes(const struct bl_settings *settings, double rate_hz)
{
    if (!can_be(settings, rate_hz)) return 0;
    struct bump memory = {NULL, 0};
    place(&memory, settings, points(settings, rate_hz));
    return memory.used;
}

static void init_bank(struct bl_bank_learner *bank, const struct bl_settings *settings,
                      int32_t number)
{
    bank->table = settings->banks[number].table;
    bank->delay = settings->banks[number].delay;
    bank->number = number;
    bank->verdict = BL_HISTORY_SHORT;
    bl_loop_init(&bank->loop);
    struct bl_table *table = &bank->table;
    table->index = table->column = table->row = 0;
    table->v0 = 1.0;
    table->v1 = table->v2 = table->v3 = 0.0;
    table->ve_pct = (double)table->cells[0];
    struct bl_seen *seen = &bank->seen;
    seen->film_s = settings->film_s;
    seen->film_terms = settings->film_terms;
    seen->lead = settings->charge_lead;
    seen->load_top = table->load[table->load_count - 1];
    seen->n_terms = terms_of(settings);
    seen->primed_s = -1.0;
    struct bl_evidence *evidence = &bank->evidence;
    evidence->speed_count = table->speed_count;
    evidence->load_count = table->load_count;
    evidence->n_terms = seen->n_terms;
    evidence->noise = settings->noise;
    evidence->table_sd = 0.15;
    evidence->term_sd = 0.2;
    if (evidence->held == NULL) return;
    evidence->held->index = -1;
    evidence->held->random = 40503;
    /* What every square shares lies from the start of its arrays. */
    size_t n_terms = (size_t)seen->n_terms, shared = BL_IN_CELLS + 4 * n_terms;
    const size_t ends[] = {
        shared + BL_BLOCK_SQUARE, shared + BL_BLOCK_SQUARE + n_terms * (n_terms + 1) / 2,
        bl_held_count(seen->n_terms),
    };
    for (size_t part = 0, k = shared; part < 3; part++) {
        for (size_t start = k; k < ends[part]; k++) evidence->held->place[k] = (uint16_t)(k - start);
    }
}

struct bl_learner *bl_learner_init(void *memory, const struct bl_settings *settings, double rate_hz)
{
    size_t bytes = bl_learner_bytes(settings, rate_hz);
    if (bytes == 0) return NULL;
    memset(memory, 0, bytes);
    struct bump all = {memory, 0};
    struct bl_learner *learner = place(&all, settings, points(settings, rate_hz));
    learner->settings = settings;
    learner->bank_count = settings->bank_count;
    learner->last_us = -1;
    bl_gates_init(&learner->gates, settings);
    learner->history.size = (int32_t)points(settings, rate_hz);
    learner->history.banks = settings->bank_count;
    learner->history.newest = -1;
    for (int32_t k = 0; k < settings->bank_count; k++) init_bank(&learner->banks[k], settings, k);
    return learner;
}
