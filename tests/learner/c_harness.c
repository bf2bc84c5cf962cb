/* Teaches the C learner what a file holds and prints what it then holds, for test_c_core.py.
 *
 * Everything in the file is a double. First: banks, speeds, loads, film terms, charge lead, sensor
 * kind, closed loop, load is throttle, rate, history, noise, film time, eighteen limits; the axes;
 * a bank: five numbers of its delay, then its cells; then samples of 34 numbers. */
#include <stdio.h>
#include <stdlib.h>

#include "breathmap_learner.h"

#define HEAD 30
#define OF_SAMPLE 34

static double next(FILE *file)
{
    double value;
    if (fread(&value, sizeof value, 1, file) != 1) exit(3);
    return value;
}

static double *many(FILE *file, size_t count)
{
    double *values = malloc(count * sizeof *values);
    for (size_t k = 0; k < count; k++) values[k] = next(file);
    return values;
}

static void show(const char *name, const bl_real *values, size_t count)
{
    printf("%s", name);
    for (size_t k = 0; k < count; k++) printf(" %a", (double)values[k]);
    printf("\n");
}

static void show_bank(const struct bl_bank_learner *bank)
{
    const struct bl_evidence *e = &bank->evidence;
    size_t n = (size_t)(e->speed_count * e->load_count), terms = (size_t)e->n_terms;
    show("cells", e->cells, 8 * n);
    show("border", e->border, terms * n);
    show("corner", e->corner, terms * (terms + 1) / 2);
    show("term_rhs", e->term_rhs, terms);
    show("term_x", e->term_x, terms);
    show("term_dot", e->term_dot, terms);
    show("sums", e->sums, BL_SUMS);
    printf("noise %a\n", e->noise);
    printf("counts %lld %lld", (long long)bank->seen_count, (long long)bank->used_count);
    for (int k = 0; k < BL_REASONS; k++) printf(" %lld", (long long)bank->refused[k]);
    printf("\n");
}

static struct bl_bank_settings *read_banks(FILE *file, const double *head)
{
    int banks = (int)head[0], speeds = (int)head[1], loads = (int)head[2];
    struct bl_bank_settings *made = calloc((size_t)banks, sizeof *made);
    double *speed_rpm = many(file, (size_t)speeds), *load = many(file, (size_t)loads);
    for (int bank = 0; bank < banks; bank++) {
        double *delay = many(file, 5);
        bl_real *cells = malloc((size_t)(speeds * loads) * sizeof *cells);
        for (int k = 0; k < speeds * loads; k++) cells[k] = (bl_real)next(file);
        made[bank].delay = (struct bl_delay_model){
            delay[0], delay[1], delay[2], delay[3], delay[4],
        };
        made[bank].table.speed_rpm = speed_rpm;
        made[bank].table.load = load;
        made[bank].table.cells = cells;
        made[bank].table.speed_count = speeds;
        made[bank].table.load_count = loads;
        free(delay);
    }
    return made;
}

static struct bl_settings settings_of(const double *head, const struct bl_bank_settings *banks)
{
    struct bl_settings s;
    bl_settings_init(&s);
    s.banks = banks;
    s.bank_count = (int)head[0];
    s.film_terms = (int)head[3];
    s.charge_lead = (int)head[4];
    s.sensor_kind = (int)head[5];
    s.closed_loop = (int)head[6];
    s.load_is_throttle = (int)head[7];
    s.history_s = head[9];
    s.noise = head[10];
    s.film_s = head[11];
    double *limits = (double *)&s.limits;
    for (int k = 0; k < 18; k++) limits[k] = head[12 + k];
    return s;
}

static struct bl_sample sample_of(const double *from, int banks)
{
    struct bl_sample s = {.banks = banks};
    s.time_us = (int64_t)from[0];
    s.lost_before = (int32_t)from[1];
    s.flags = (int32_t)from[2];
    s.speed_rpm = from[3];
    s.map_kpa = from[4];
    s.throttle_pct = from[5];
    s.coolant_c = from[6];
    s.intake_c = from[7];
    s.battery_v = from[8];
    s.target_lambda = from[9];
    for (int k = 0; k < BL_MAX_BANKS; k++) {
        s.measured_lambda[k] = from[10 + k];
        s.fuel_multiplier[k] = from[18 + k];
        s.sensor_state[k] = (int32_t)from[26 + k];
    }
    return s;
}

int main(int count, char **words)
{
    if (count != 2) return 2;
    FILE *file = fopen(words[1], "rb");
    if (file == NULL) return 2;
    double *head = many(file, HEAD), row[OF_SAMPLE];
    struct bl_bank_settings *banks = read_banks(file, head);
    struct bl_settings settings = settings_of(head, banks);
    size_t bytes = bl_learner_bytes(&settings, head[8]);
    void *memory = malloc(bytes);
    struct bl_learner *learner = bl_learner_init(memory, &settings, head[8]);
    if (learner == NULL) return 4;
    while (fread(row, sizeof *row, OF_SAMPLE, file) == OF_SAMPLE) {
        struct bl_sample sample = sample_of(row, settings.bank_count);
        bl_learner_learn_one(learner, &sample);
    }
    printf("bytes %zu\n", bytes);
    for (int k = 0; k < settings.bank_count; k++) {
        bl_evidence_close_block(&learner->banks[k].evidence);
        bl_evidence_leave_square(&learner->banks[k].evidence);
        show_bank(&learner->banks[k]);
    }
    fclose(file);
    free(memory);
    for (int k = 0; k < settings.bank_count; k++) free((void *)(uintptr_t)banks[k].table.cells);
    free((void *)(uintptr_t)banks[0].table.speed_rpm);
    free((void *)(uintptr_t)banks[0].table.load);
    free(banks);
    free(head);
    return 0;
}
