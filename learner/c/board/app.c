/* See app.h. */
#include "app.h"

#include <math.h>

#include "storage.h"

#define SAVE_EVERY_US 60000000

struct place {
    int slot;
    size_t at;
};

static bool keep(void *to, const uint8_t *frame, uint16_t bytes)
{
    struct place *place = to;
    if (!storage_write(place->slot, place->at, frame, bytes)) return false;
    place->at += bytes;
    return true;
}

bool app_save(struct app *app)
{
    struct place place = {.slot = app->snapshot ? 1 - app->slot : 0};
    if (!bl_snapshot_send(app->learner, app->names, app->origin, app->snapshot + 1, keep, &place)) {
        return false;
    }
    app->slot = place.slot;
    app->snapshot++;
    return true;
}

/* Go through a slot's frames; true when it holds a whole snapshot of this learner. */
static bool walk(struct app *app, int slot, struct bl_snapshot_walk *walk, bool restores)
{
    uint8_t bytes[64];
    size_t at = 0, count;
    bl_walk_init(walk, app->learner, restores);
    bm_reader_init(&app->reader);
    while (!walk->is_bad && (count = storage_read(slot, at, bytes, sizeof bytes)) > 0) {
        at += count;
        for (size_t k = 0; k < count; k++) {
            enum bm_event event = bm_read(&app->reader, bytes[k]);
            if (event == BM_NOTHING) continue;
            /* Frames of evidence are none that a bridge sends. */
            if (event != BM_UNKNOWN_TYPE) walk->is_bad = true;
            bl_walk_frame(walk, app->reader.type, app->reader.payload, app->reader.payload_bytes);
        }
    }
    return bl_walk_is_whole(walk) && app->reader.held == 0;
}

void app_init(struct app *app, struct bl_learner *learner, const struct bl_names *names,
              uint32_t origin)
{
    struct bl_snapshot_walk found;
    *app = (struct app){.learner = learner, .names = names, .origin = origin};
    for (int slot = 0; slot < 2; slot++) {
        if (walk(app, slot, &found, false) && found.snapshot > app->snapshot) {
            app->snapshot = found.snapshot;
            app->origin = found.origin;
            app->slot = slot;
        }
    }
    if (app->snapshot) walk(app, app->slot, &found, true);
    bm_reader_init(&app->reader);
    bm_timeline_init(&app->timeline);
}

/* A measurement, or NaN where it was not sent. */
static double value_of(int32_t raw, int32_t low, int32_t high, int32_t per_unit)
{
    return low <= raw && raw <= high ? (double)raw / (double)per_unit : NAN;
}

#define VALUE(raw, NAME) \
    value_of(raw, (int32_t)NAME##_LOW, (int32_t)NAME##_HIGH, (int32_t)NAME##_PER_UNIT)

static void decode(struct bl_sample *sample, const uint8_t *payload)
{
    struct bm_sample raw;
    payload = bm_get_sample(&raw, payload);
    sample->flags = raw.flags;
    sample->banks = raw.banks;
    sample->speed_rpm = VALUE(raw.speed_rpm, BM_SAMPLE_SPEED_RPM);
    sample->map_kpa = VALUE(raw.map_kpa, BM_SAMPLE_MAP_KPA);
    sample->throttle_pct = VALUE(raw.throttle_pct, BM_SAMPLE_THROTTLE_PCT);
    sample->coolant_c = VALUE(raw.coolant_c, BM_SAMPLE_COOLANT_C);
    sample->intake_c = VALUE(raw.intake_c, BM_SAMPLE_INTAKE_C);
    sample->battery_v = VALUE(raw.battery_v, BM_SAMPLE_BATTERY_V);
    sample->target_lambda = VALUE(raw.target_lambda, BM_SAMPLE_TARGET_LAMBDA);
    for (int32_t k = 0; k < raw.banks; k++) {
        struct bm_sample_bank bank;
        payload = bm_get_sample_bank(&bank, payload);
        sample->measured_lambda[k] = VALUE(bank.measured_lambda, BM_SAMPLE_BANK_MEASURED_LAMBDA);
        sample->fuel_multiplier[k] = VALUE(bank.fuel_multiplier, BM_SAMPLE_BANK_FUEL_MULTIPLIER);
        sample->sensor_state[k] = bank.sensor_state;
    }
}

bool app_byte(struct app *app, uint8_t byte)
{
    enum bm_event event = bm_read(&app->reader, byte);
    if (event == BM_NOTHING) return false;
    bm_timeline_take(&app->timeline, &app->reader, event);
    if (event != BM_FRAME || app->reader.type != BM_TYPE_SAMPLE) return false;
    struct bl_sample sample;
    decode(&sample, app->reader.payload);
    sample.time_us = app->timeline.time_us;
    sample.lost_before = app->timeline.lost_before > 0;
    if (!bl_learner_learn_one(app->learner, &sample)) return false;
    if (app->samples++ == 0) app->saved_us = sample.time_us;
    if (!app->is_held && sample.time_us - app->saved_us >= SAVE_EVERY_US) {
        app->saved_us = sample.time_us;
        app_save(app);
    }
    return true;
}
