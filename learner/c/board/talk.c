/* See talk.h. */
#include "talk.h"

#include <math.h>

#include "storage.h"

#define EVIDENCE_TYPE 48u
#define PART_TYPE 49u
#define ROW_TYPE 50u
#define REQUEST_TYPE 72u
#define ANSWER_TYPE 73u
#define REQUEST_BYTES 10u
#define IDENTITY_EVERY_S 5u

enum { SEND_IDENTITY, SEND_STATUS, TAKE_SNAPSHOT, SEND_PARTS, SEND_ROW, CLEAR };
enum { DONE, NO_SUCH_PLACE, OTHER_EVIDENCE, NOT_KEPT, NO_ANSWER };
enum { NOTHING, HEADS, PARTS }; /* what of the slot is being sent */

void talk_init(struct talk *talk, struct app *app, double rate_hz, bl_send send, void *to)
{
    *talk = (struct talk){.app = app, .send = send, .to = to, .rate_hz = rate_hz};
    talk->owes_identity = true;
    for (int32_t k = 0; k < app->learner->bank_count; k++) {
        talk->seen_before[k] = (uint32_t)app->learner->banks[k].seen_count;
        talk->used_before[k] = (uint32_t)app->learner->banks[k].used_count;
    }
}

/* ---- requests ---- */

static uint32_t u32_at(const uint8_t *at)
{
    return at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
}

/* While a snapshot is being sent it is kept. */
static void send_slot(struct talk *talk, uint8_t what, uint8_t bank, uint32_t first_part)
{
    talk->sending = what;
    talk->bank = bank;
    talk->first_part = first_part;
    talk->at = 0;
    talk->app->is_held = what != NOTHING;
}

/* Another number for evidence that begins anew: made of the one before, and never that. */
static uint32_t next_origin(uint32_t origin, uint32_t snapshot)
{
    const uint32_t words[] = {origin, snapshot};
    uint32_t made = origin;
    do {
        for (size_t k = 0; k < 8; k++) {
            const uint8_t byte = (uint8_t)(words[k / 4] >> 8 * (k % 4));
            made = bm_crc32_on(made, &byte, 1);
        }
    } while (made == 0 || made == origin);
    return made;
}

static uint8_t clear(struct talk *talk, uint32_t origin)
{
    struct app *app = talk->app;
    struct bl_learner *learner = app->learner;
    if (talk->cleared && origin == talk->cleared) return talk->clearing; /* the answer was lost */
    if (origin != app->origin) return OTHER_EVIDENCE;
    for (int32_t k = 0; k < learner->bank_count; k++) {
        struct bl_bank_learner *bank = &learner->banks[k];
        bl_clear(&bank->evidence, learner->settings->noise);
        talk->seen_before[k] -= (uint32_t)bank->seen_count;
        talk->used_before[k] -= (uint32_t)bank->used_count;
        bank->seen_count = bank->used_count = 0;
    }
    send_slot(talk, NOTHING, 0, 0);
    talk->cleared = origin;
    app->origin = next_origin(origin, app->snapshot);
    talk->clearing = app_save(app) ? DONE : NOT_KEPT;
    return talk->clearing;
}

static uint8_t take_snapshot(struct talk *talk)
{
    bool kept = app_save(talk->app);
    send_slot(talk, kept ? HEADS : NOTHING, 0, 0);
    return kept ? NO_ANSWER : NOT_KEPT;
}

static uint8_t of_bank(struct talk *talk, uint8_t action, uint8_t bank, uint32_t place, uint32_t of)
{
    const struct bl_learner *learner = talk->app->learner;
    if (bank >= learner->bank_count) return NO_SUCH_PLACE;
    if (action == SEND_ROW) {
        if (place >= (uint32_t)learner->banks[bank].table.load_count) return NO_SUCH_PLACE;
        talk->owes_row = true;
        talk->row_bank = bank;
        talk->row = (uint8_t)place;
        return NO_ANSWER;
    }
    if (of == 0 || of != talk->app->snapshot) return OTHER_EVIDENCE;
    send_slot(talk, PARTS, bank, place);
    return NO_ANSWER;
}

static uint8_t answer_to(struct talk *talk, const uint8_t *request)
{
    uint32_t place = u32_at(request + 2), of = u32_at(request + 6);
    switch (request[0]) {
    case SEND_IDENTITY: talk->owes_identity = true; return NO_ANSWER;
    case SEND_STATUS:
        talk->statuses = (uint8_t)((1u << talk->app->learner->bank_count) - 1u);
        return NO_ANSWER;
    case TAKE_SNAPSHOT: return take_snapshot(talk);
    case CLEAR: return clear(talk, of);
    case SEND_PARTS:
    case SEND_ROW: return of_bank(talk, request[0], request[1], place, of);
    default: return NO_SUCH_PLACE;
    }
}

static void take_run(struct talk *talk)
{
    struct bm_reader reader;
    bm_reader_init(&reader);
    for (uint8_t k = 0; k < talk->held; k++) bm_read(&reader, talk->run[k]);
    enum bm_event event = bm_read(&reader, 0);
    bool is_frame = event == BM_FRAME || event == BM_UNKNOWN_TYPE;
    talk->received += is_frame;
    talk->bad_received += !is_frame;
    if (event != BM_UNKNOWN_TYPE || reader.type != REQUEST_TYPE) return;
    if (reader.payload_bytes != REQUEST_BYTES) return;
    uint8_t outcome = answer_to(talk, reader.payload);
    if (outcome == NO_ANSWER) return;
    talk->owes_answer = true;
    talk->outcome = outcome;
    talk->answered = reader.sequence;
}

void talk_byte(struct talk *talk, uint8_t byte)
{
    if (byte) {
        if (talk->held < TALK_RUN_BYTES) talk->run[talk->held] = byte;
        talk->held = talk->held < TALK_RUN_BYTES ? talk->held + 1 : TALK_RUN_BYTES + 1;
        return;
    }
    if (talk->held > TALK_RUN_BYTES) {
        talk->bad_received++;
    } else if (talk->held) {
        take_run(talk);
    }
    talk->held = 0;
}

/* ---- frames ---- */

struct out {
    uint8_t frame[BM_MAX_WIRE_BYTES];
    struct bm_encoder encoder;
};

static struct bm_encoder *begin(struct talk *talk, struct out *out, uint8_t type)
{
    uint32_t time_us = (uint32_t)talk->app->timeline.time_us;
    bm_encoder_init(&out->encoder, out->frame, 0xFFFF);
    bm_begin(&out->encoder, 0, sizeof out->frame, type, talk->sequence, time_us);
    return &out->encoder;
}

static bool end(struct talk *talk, struct out *out)
{
    uint16_t bytes = bm_end(&out->encoder);
    if (!bytes || !talk->send(talk->to, out->frame, bytes)) return false;
    talk->sequence++;
    talk->sent++;
    return true;
}

static uint16_t counts_of(double value, uint16_t per_unit)
{
    return (uint16_t)floor(value * per_unit + 0.5);
}

static bool send_identity(struct talk *talk)
{
    const struct bl_learner *learner = talk->app->learner;
    const struct bl_table *table = &learner->banks[0].table;
    struct bm_identity identity = {
        .banks = (uint8_t)learner->bank_count,
        .sample_rate_hz = counts_of(talk->rate_hz, BM_IDENTITY_SAMPLE_RATE_HZ_PER_UNIT),
        .load_axis = learner->settings->load_is_throttle ? BM_LOAD_AXIS_THROTTLE_PCT
                                                         : BM_LOAD_AXIS_MAP_KPA,
        .speed_count = (uint8_t)table->speed_count,
        .load_count = (uint8_t)table->load_count,
    };
    struct out out;
    struct bm_encoder *e = begin(talk, &out, BM_TYPE_IDENTITY);
    bm_text(identity.device_name, "bare board");
    bm_text(identity.firmware, "0.2");
    bm_put_identity(e, &identity);
    for (int32_t k = 0; k < table->speed_count; k++) {
        bm_put_u16(e, counts_of(table->speed_rpm[k], BM_IDENTITY_SPEED_POINTS_SPEED_RPM_PER_UNIT));
    }
    for (int32_t k = 0; k < table->load_count; k++) {
        bm_put_u16(e, counts_of(table->load[k], BM_IDENTITY_LOAD_POINTS_LOAD_PER_UNIT));
    }
    return end(talk, &out);
}

static bool send_status(struct talk *talk, uint8_t number, uint32_t uptime_s)
{
    const struct bl_bank_learner *bank = &talk->app->learner->banks[number];
    const struct bm_status status = {
        .uptime_s = uptime_s,
        .frames_sent = talk->sent,
        .frames_received = talk->received,
        .bad_received = talk->bad_received,
        .bank = number,
        .samples_seen = (uint32_t)bank->seen_count - talk->seen_before[number],
        .samples_used = (uint32_t)bank->used_count - talk->used_before[number],
        .reason_count = BL_REASONS,
    };
    struct out out;
    struct bm_encoder *e = begin(talk, &out, BM_TYPE_STATUS);
    bm_put_status(e, &status);
    for (int32_t k = 0; k < BL_REASONS; k++) bm_put_u32(e, (uint32_t)bank->refused[k]);
    return end(talk, &out);
}

static bool send_row(struct talk *talk)
{
    const struct bl_learner *learner = talk->app->learner;
    const struct bl_table *table = &learner->banks[talk->row_bank].table;
    const bl_real *cells = table->cells + talk->row * table->speed_count;
    struct out out;
    struct bm_encoder *e = begin(talk, &out, ROW_TYPE);
    bm_put_u32(e, bl_fingerprint(learner->settings, table));
    bm_put_u8(e, talk->row_bank);
    bm_put_u8(e, talk->row);
    bm_put_u8(e, (uint8_t)table->speed_count);
    for (int32_t k = 0; k < table->speed_count; k++) bm_put_u16(e, counts_of(cells[k], 100));
    return end(talk, &out);
}

static bool send_answer(struct talk *talk)
{
    struct out out;
    struct bm_encoder *e = begin(talk, &out, ANSWER_TYPE);
    bm_put_u32(e, talk->answered);
    bm_put_u8(e, talk->outcome);
    return end(talk, &out);
}

/* ---- what the slot holds ---- */

/* Read one frame of the latest slot from a place on; false behind the last, or at damage. */
static bool next_kept(const struct app *app, struct bm_reader *reader, size_t *at)
{
    uint8_t bytes[64];
    size_t count;
    bm_reader_init(reader);
    while ((count = storage_read(app->slot, *at, bytes, sizeof bytes)) > 0) {
        for (size_t k = 0; k < count; k++) {
            ++*at;
            enum bm_event event = bm_read(reader, bytes[k]);
            if (event != BM_NOTHING) return event == BM_UNKNOWN_TYPE;
        }
    }
    return false;
}

static bool is_wanted(const struct talk *talk, const struct bm_reader *kept)
{
    if (talk->sending == HEADS) return kept->type == EVIDENCE_TYPE;
    return kept->type == PART_TYPE && kept->payload[4] == talk->bank
        && u32_at(kept->payload + 5) >= talk->first_part;
}

static bool pass_on(struct talk *talk, const struct bm_reader *kept)
{
    struct out out;
    struct bm_encoder *e = begin(talk, &out, kept->type);
    for (uint8_t k = 0; k < kept->payload_bytes; k++) bm_put_u8(e, kept->payload[k]);
    return end(talk, &out);
}

static void send_kept(struct talk *talk)
{
    struct bm_reader kept;
    size_t at = talk->at;
    while (next_kept(talk->app, &kept, &at)) {
        if (is_wanted(talk, &kept)) {
            if (pass_on(talk, &kept)) talk->at = at;
            return;
        }
    }
    send_slot(talk, NOTHING, 0, 0);
}

void talk_step(struct talk *talk, uint32_t uptime_s)
{
    if (uptime_s - talk->identity_s >= IDENTITY_EVERY_S) talk->owes_identity = true;
    if (talk->owes_identity) {
        talk->owes_identity = !send_identity(talk);
        talk->identity_s = uptime_s;
    } else if (talk->statuses) {
        uint8_t bank = 0;
        while (!(talk->statuses >> bank & 1u)) bank++;
        if (send_status(talk, bank, uptime_s)) talk->statuses &= (uint8_t) ~(1u << bank);
    } else if (talk->owes_row) {
        talk->owes_row = !send_row(talk);
    } else if (talk->owes_answer) {
        talk->owes_answer = !send_answer(talk);
    } else if (talk->sending != NOTHING) {
        send_kept(talk);
    }
}
