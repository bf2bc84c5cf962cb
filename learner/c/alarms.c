/* The stretches in which nothing raises an alarm: learner/core/alarms.py without its episodes. */
#include "breathmap_frames.h"
#include "breathmap_learner.h"

#define BANDS_S 5.0
#define SENSOR_CONFIRM_S 0.5
#define WARM_UP_S 60.0
#define NEVER_READY_S 5.0

/* Follow a bank's sensor; true when it is gone. */
static bool watch_sensor(struct bl_alarms *alarms, const struct bl_sample *sample, int32_t bank,
                         bool running, double dt_s)
{
    double value = sample->measured_lambda[bank];
    uint32_t state = (uint32_t)sample->sensor_state[bank];
    bool measures = value == value || alarms->lean.settings->sensor_kind == BL_SWITCHING;
    if ((state == BM_SENSOR_READY && measures) || !running) {
        alarms->was_ready[bank] = state == BM_SENSOR_READY && measures;
        alarms->gone_s[bank] = alarms->warming_s[bank] = 0.0;
        return false;
    }
    if (state == BM_SENSOR_WARMING && !alarms->was_ready[bank]) {
        alarms->warming_s[bank] += dt_s;
        alarms->gone_s[bank] = 0.0;
    } else {
        alarms->gone_s[bank] += dt_s;
    }
    double patience_s = alarms->was_ready[bank] ? SENSOR_CONFIRM_S : NEVER_READY_S;
    return alarms->gone_s[bank] >= patience_s || alarms->warming_s[bank] >= WARM_UP_S;
}

/* Count lost frames; true when too many are. */
static bool count_losses(struct bl_alarms *alarms, const struct bl_sample *sample, double dt_s)
{
    alarms->came[1]++;
    alarms->lost[1] += sample->lost_before;
    alarms->span_s += dt_s;
    int64_t gone = alarms->lost[0] + alarms->lost[1];
    int64_t total = alarms->came[0] + alarms->came[1] + gone;
    double share_pct = 100.0 * (double)gone / (double)total;
    bool bad = gone >= 3 && share_pct > alarms->frames_lost_pct;
    if (alarms->span_s >= BANDS_S) {
        alarms->span_s = 0.0;
        alarms->came[0] = alarms->came[1];
        alarms->lost[0] = alarms->lost[1];
        alarms->came[1] = alarms->lost[1] = 0;
    }
    return bad;
}

/* Take one sample; false when it shows a cause. */
static bool take(struct bl_alarms *alarms, const struct bl_sample *sample)
{
    const struct bl_settings *settings = alarms->lean.settings;
    double step_s = alarms->last_us >= 0 ? (double)(sample->time_us - alarms->last_us) * 1e-6 : 0.0;
    alarms->last_us = sample->time_us;
    if (step_s > 0.0) alarms->time_s += step_s;
    double dt_s = bl_lean_take(&alarms->lean, sample);
    for (int32_t k = 0; k < 6; k++) alarms->quiet_s[k] -= dt_s;
    bool running = sample->speed_rpm >= settings->limits.speed_min_rpm;
    if (running) alarms->running_s += dt_s;
    bool calm = true;
    for (int32_t bank = 0; bank < settings->bank_count; bank++) {
        if (watch_sensor(alarms, sample, bank, running, dt_s)) calm = false;
        if (alarms->lean.on[bank]) calm = false;
    }
    if (sample->coolant_c > alarms->coolant_max_c) calm = false;
    if (count_losses(alarms, sample, dt_s)) calm = false;
    return calm;
}

int64_t bl_alarms_take_calm(struct bl_alarms *alarms, const struct bl_columns *samples,
                            int64_t from)
{
    int32_t banks = alarms->lean.settings->bank_count;
    struct bl_sample sample = {.banks = banks};
    for (; from < samples->count; from++) {
        struct bl_alarms before = *alarms;
        bl_fill_sample(&sample, samples, from, banks);
        if (!take(alarms, &sample)) {
            *alarms = before;
            return from;
        }
    }
    return from;
}
