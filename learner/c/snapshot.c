/* Between evidence and the frames that travel: learner/core/snapshot.py and, of the protocol,
 * evidence_parts.py. A part at a time: a board has no room for a copy. */
#include <math.h>
#include <string.h>

#include "breathmap_learner.h"
#include "breathmap_link.h"

#define EVIDENCE_TYPE 48u
#define PART_TYPE 49u
#define PART_BYTES 224
#define HEAD_BYTES 66u /* payload of an evidence frame */
#define PART_HEAD_BYTES 10u
#define FILM_GROWTH_CODE 65532u
#define FILM_TIME_CODE 65533u
#define CHARGE_LEAD_CODE 65535u
#define A_PART (PART_BYTES / (int32_t)sizeof(bl_real))

static int32_t double_count(int32_t n_terms)
{
    return 5 + n_terms * (n_terms + 1) / 2 + 3 * n_terms;
}

/* Parts of doubles, before those of cells and border. */
static int32_t first_parts(const struct bl_evidence *evidence)
{
    return (double_count(evidence->n_terms) * 8 + PART_BYTES - 1) / PART_BYTES;
}

static int32_t real_count(const struct bl_evidence *evidence)
{
    return evidence->speed_count * evidence->load_count * (BL_PER_CELL + evidence->n_terms);
}

static int32_t part_count(const struct bl_evidence *evidence)
{
    return first_parts(evidence) + (real_count(evidence) + A_PART - 1) / A_PART;
}

/* The k-th number of the doubles after the noise. */
static bl_real *small_at(struct bl_evidence *evidence, int32_t k)
{
    int32_t n_terms = evidence->n_terms;
    const int32_t counts[] = {BL_SUMS, n_terms * (n_terms + 1) / 2, n_terms, n_terms, n_terms};
    bl_real *const arrays[] = {
        evidence->sums, evidence->corner, evidence->term_rhs, evidence->term_x, evidence->term_dot,
    };
    size_t at = 0;
    while (k >= counts[at]) k -= counts[at++];
    return arrays[at] + k;
}

static bl_real *real_at(struct bl_evidence *evidence, int32_t k)
{
    int32_t cells = evidence->speed_count * evidence->load_count * BL_PER_CELL;
    return k < cells ? evidence->cells + k : evidence->border + (k - cells);
}

static void put_bits(uint8_t *to, uint64_t bits, size_t bytes)
{
    for (size_t k = 0; k < bytes; k++) to[k] = (uint8_t)(bits >> 8 * k);
}

static uint64_t take_bits(const uint8_t *from, size_t bytes)
{
    uint64_t bits = 0;
    for (size_t k = 0; k < bytes; k++) bits |= (uint64_t)from[k] << 8 * k;
    return bits;
}

static void put_double(uint8_t *to, double value)
{
    uint64_t bits;
    memcpy(&bits, &value, sizeof bits);
    put_bits(to, bits, 8);
}

static double take_double(const uint8_t *from)
{
    uint64_t bits = take_bits(from, 8);
    double value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

static void put_real(uint8_t *to, bl_real value)
{
    if (sizeof value == 8) {
        put_double(to, (double)value);
        return;
    }
    float single = (float)value;
    uint32_t bits;
    memcpy(&bits, &single, sizeof bits);
    put_bits(to, bits, 4);
}

static bl_real take_real(const uint8_t *from)
{
    if (sizeof(bl_real) == 8) return (bl_real)take_double(from);
    uint32_t bits = (uint32_t)take_bits(from, 4);
    float single;
    memcpy(&single, &bits, sizeof single);
    return (bl_real)single;
}

/* Fill a part's bytes; returns how many. */
static uint8_t part_data(struct bl_evidence *evidence, int32_t part, uint8_t *data)
{
    int32_t first = first_parts(evidence), used = 0;
    if (part < first) {
        int32_t end = double_count(evidence->n_terms);
        for (int32_t k = part * (PART_BYTES / 8); k < end && used < PART_BYTES; k++, used += 8) {
            put_double(data + used, k ? (double)*small_at(evidence, k - 1) : evidence->noise);
        }
        return (uint8_t)used;
    }
    int32_t size = (int32_t)sizeof(bl_real), end = real_count(evidence);
    for (int32_t k = (part - first) * A_PART; k < end && used < PART_BYTES; k++, used += size) {
        put_real(data + used, *real_at(evidence, k));
    }
    return (uint8_t)used;
}

/* Put a part's bytes into the evidence. */
static void put_part(struct bl_evidence *evidence, int32_t part, const uint8_t *data)
{
    int32_t first = first_parts(evidence), used = 0;
    if (part < first) {
        int32_t end = double_count(evidence->n_terms);
        for (int32_t k = part * (PART_BYTES / 8); k < end && used < PART_BYTES; k++, used += 8) {
            double value = take_double(data + used);
            if (k) {
                *small_at(evidence, k - 1) = (bl_real)value;
            } else {
                evidence->noise = value;
            }
        }
        return;
    }
    int32_t size = (int32_t)sizeof(bl_real), end = real_count(evidence);
    for (int32_t k = (part - first) * A_PART; k < end && used < PART_BYTES; k++, used += size) {
        *real_at(evidence, k) = take_real(data + used);
    }
}

void bl_clear(struct bl_evidence *evidence, double noise)
{
    bl_evidence_close_block(evidence);
    bl_evidence_leave_square(evidence);
    int32_t smalls = double_count(evidence->n_terms) - 1, reals = real_count(evidence);
    for (int32_t k = 0; k < smalls; k++) *small_at(evidence, k) = 0;
    for (int32_t k = 0; k < reals; k++) *real_at(evidence, k) = 0;
    evidence->noise = noise;
}

static uint32_t counted(uint32_t crc, uint32_t count)
{
    uint8_t bytes[2] = {(uint8_t)count, (uint8_t)(count >> 8)};
    return bm_crc32_on(crc, bytes, 2);
}

/* The count in which a breakpoint or cell travels. */
static uint32_t counts_of(double value, double per_unit)
{
    return (uint32_t)(int32_t)floor(value * per_unit + 0.5);
}

uint32_t bl_fingerprint(const struct bl_settings *settings, const struct bl_table *table)
{
    uint32_t codes[4], terms = 0;
    const uint32_t film[] = {
        counts_of(settings->film_s, 1000.0), FILM_GROWTH_CODE, FILM_TIME_CODE,
    };
    while (terms < (uint32_t)settings->film_terms) {
        codes[terms] = film[terms];
        terms++;
    }
    if (settings->charge_lead) codes[terms++] = CHARGE_LEAD_CODE;
    const uint8_t head[4] = {
        settings->load_is_throttle ? 2 : 1, (uint8_t)table->speed_count,
        (uint8_t)table->load_count, (uint8_t)terms,
    };
    uint32_t crc = bm_crc32_on(0, head, 4);
    int32_t cells = table->speed_count * table->load_count;
    for (int32_t k = 0; k < table->speed_count; k++) {
        crc = counted(crc, counts_of(table->speed_rpm[k], 2.0));
    }
    for (int32_t k = 0; k < table->load_count; k++) {
        crc = counted(crc, counts_of(table->load[k], 100.0));
    }
    for (int32_t k = 0; k < cells; k++) {
        crc = counted(crc, counts_of((double)table->cells[k], 100.0));
    }
    for (uint32_t k = 0; k < terms; k++) crc = counted(crc, codes[k]);
    return crc;
}

/* ---- sending ---- */

struct out {
    bl_send send;
    void *to;
    uint16_t sequence;
    uint8_t frame[BM_MAX_WIRE_BYTES];
    struct bm_encoder encoder;
};

static void begin(struct out *out, uint8_t type)
{
    bm_encoder_init(&out->encoder, out->frame, 0xFFFF);
    bm_begin(&out->encoder, 0, sizeof out->frame, type, out->sequence++, 0);
}

static bool end(struct out *out)
{
    uint16_t bytes = bm_end(&out->encoder);
    return bytes && out->send(out->to, out->frame, bytes);
}

static bool send_head(struct out *out, struct bl_learner *learner, int32_t number,
                      const struct bl_names *names, uint32_t origin, uint32_t snapshot)
{
    struct bl_bank_learner *bank = &learner->banks[number];
    struct bl_evidence *evidence = &bank->evidence;
    uint8_t data[PART_BYTES];
    uint32_t crc = 0;
    for (int32_t part = 0; part < part_count(evidence); part++) {
        crc = bm_crc32_on(crc, data, part_data(evidence, part, data));
    }
    struct bm_encoder *e = &out->encoder;
    begin(out, EVIDENCE_TYPE);
    bm_put_u32(e, origin);
    bm_put_u32(e, snapshot);
    bm_put_u32(e, bl_fingerprint(learner->settings, &bank->table));
    const int32_t shape[] = {
        number,
        learner->bank_count,
        (int32_t)sizeof(bl_real),
        evidence->speed_count,
        evidence->load_count,
        evidence->n_terms,
    };
    for (size_t k = 0; k < sizeof shape / sizeof *shape; k++) bm_put_u8(e, (uint8_t)shape[k]);
    bm_put_u32(e, (uint32_t)bank->seen_count);
    bm_put_u32(e, (uint32_t)bank->used_count);
    bm_put_u32(e, (uint32_t)part_count(evidence));
    bm_put_u32(e, crc);
    char text[BM_TEXT_BYTES];
    bm_text(text, names->engine);
    bm_put_text16(e, text);
    bm_text(text, names->banks[number]);
    bm_put_text16(e, text);
    return end(out);
}

static bool send_parts(struct out *out, struct bl_evidence *evidence, int32_t number,
                       uint32_t snapshot)
{
    uint8_t data[PART_BYTES];
    for (int32_t part = 0; part < part_count(evidence); part++) {
        uint8_t bytes = part_data(evidence, part, data);
        begin(out, PART_TYPE);
        bm_put_u32(&out->encoder, snapshot);
        bm_put_u8(&out->encoder, (uint8_t)number);
        bm_put_u32(&out->encoder, (uint32_t)part);
        bm_put_u8(&out->encoder, bytes);
        for (uint8_t k = 0; k < bytes; k++) bm_put_u8(&out->encoder, data[k]);
        if (!end(out)) return false;
    }
    return true;
}

bool bl_snapshot_send(struct bl_learner *learner, const struct bl_names *names, uint32_t origin,
                      uint32_t snapshot, bl_send send, void *to)
{
    struct out out = {.send = send, .to = to};
    for (int32_t k = 0; k < learner->bank_count; k++) {
        bl_evidence_close_block(&learner->banks[k].evidence);
        bl_evidence_leave_square(&learner->banks[k].evidence);
    }
    for (int32_t k = 0; k < learner->bank_count; k++) {
        if (!send_head(&out, learner, k, names, origin, snapshot)) return false;
        if (!send_parts(&out, &learner->banks[k].evidence, k, snapshot)) return false;
    }
    return true;
}

/* ---- reading back ---- */

void bl_walk_init(struct bl_snapshot_walk *walk, struct bl_learner *learner, bool restores)
{
    *walk = (struct bl_snapshot_walk){.learner = learner, .restores = restores, .bank = -1};
}

/* True when the bank in progress is complete. */
static bool is_closed(const struct bl_snapshot_walk *walk)
{
    return walk->bank < 0 || (walk->part == walk->part_count && walk->crc == walk->wanted_crc);
}

static void walk_head(struct bl_snapshot_walk *walk, const uint8_t *at)
{
    struct bl_learner *learner = walk->learner;
    uint32_t origin = (uint32_t)take_bits(at, 4), snapshot = (uint32_t)take_bits(at + 4, 4);
    bool is_first = walk->bank < 0;
    bool follows = is_first || (origin == walk->origin && snapshot == walk->snapshot);
    if (!is_closed(walk) || !follows || ++walk->bank >= learner->bank_count) {
        walk->is_bad = true;
        return;
    }
    struct bl_bank_learner *bank = &learner->banks[walk->bank];
    walk->origin = origin;
    walk->snapshot = snapshot;
    walk->part = 0;
    walk->crc = 0;
    walk->part_count = part_count(&bank->evidence);
    walk->wanted_crc = (uint32_t)take_bits(at + 30, 4);
    walk->is_bad |= take_bits(at + 8, 4) != bl_fingerprint(learner->settings, &bank->table)
        || at[12] != walk->bank || at[13] != learner->bank_count || at[14] != sizeof(bl_real)
        || take_bits(at + 26, 4) != (uint32_t)walk->part_count;
    if (walk->restores && !walk->is_bad) {
        bl_evidence_leave_square(&bank->evidence);
        bank->seen_count = (int64_t)take_bits(at + 18, 4);
        bank->used_count = (int64_t)take_bits(at + 22, 4);
    }
}

static void walk_part(struct bl_snapshot_walk *walk, const uint8_t *at, uint8_t bytes)
{
    uint8_t data[PART_BYTES];
    if (walk->bank < 0 || walk->part >= walk->part_count) {
        walk->is_bad = true;
        return;
    }
    struct bl_evidence *evidence = &walk->learner->banks[walk->bank].evidence;
    uint8_t count = part_data(evidence, walk->part, data);
    if (take_bits(at, 4) != walk->snapshot || at[4] != walk->bank
        || take_bits(at + 5, 4) != (uint32_t)walk->part || at[9] != count
        || bytes != PART_HEAD_BYTES + count) {
        walk->is_bad = true;
        return;
    }
    if (walk->restores) put_part(evidence, walk->part, at + PART_HEAD_BYTES);
    walk->crc = bm_crc32_on(walk->crc, at + PART_HEAD_BYTES, count);
    walk->part++;
}

void bl_walk_frame(struct bl_snapshot_walk *walk, uint8_t type, const uint8_t *payload,
                   uint8_t bytes)
{
    if (walk->is_bad) return;
    if (type == EVIDENCE_TYPE && bytes == HEAD_BYTES) {
        walk_head(walk, payload);
    } else if (type == PART_TYPE && bytes > PART_HEAD_BYTES) {
        walk_part(walk, payload, bytes);
    } else {
        walk->is_bad = true;
    }
}

bool bl_walk_is_whole(const struct bl_snapshot_walk *walk)
{
    return !walk->is_bad && walk->bank + 1 == walk->learner->bank_count && is_closed(walk);
}
