/* The learner: learner/core/stream.py. */
#include <math.h>

#include "breathmap_learner.h"

#define INDEPENDENT_LAGS 2.0
#define TINY 1e-3
#define HUGE_VALUE 1e6
#define COLDEST_C (-100.0)
#define USUAL_MAP_KPA 60.0
#define USUAL_INTAKE_C 25.0
#define SPIKE_LAGS 4.0
#define AFTER_SPIKE 0.01
#define BLOCK_S 20.0

static bool is_between(double low, double value, double high)
{
    return low < value && value < high;
}

static void reset_seen(struct bl_learner *learner)
{
    for (int32_t k = 0; k < learner->bank_count; k++) bl_seen_reset(&learner->banks[k].seen);
}

static void refuse(struct bl_bank_learner *bank, int32_t verdict)
{
    bank->seen_count++;
    bank->verdict = verdict;
    bank->weight = 0.0;
    bank->refused[bl_primary_reason(verdict)]++;
}

static void refuse_all(struct bl_learner *learner, int32_t verdict)
{
    for (int32_t k = 0; k < learner->bank_count; k++) refuse(&learner->banks[k], verdict);
}

static void restart(struct bl_learner *learner, const struct bl_sample *sample)
{
    learner->last_us = sample->time_us;
    bl_history_clear(&learner->history);
    reset_seen(learner);
}

static bool is_usable(const struct bl_learner *learner, const struct bl_sample *sample, double load)
{
    double lowest = learner->settings->load_is_throttle ? -HUGE_VALUE : TINY;
    bool usable = is_between(TINY, sample->speed_rpm, HUGE_VALUE)
        && is_between(lowest, load, HUGE_VALUE)
        && is_between(TINY, sample->target_lambda, HUGE_VALUE);
    for (int32_t k = 0; k < learner->bank_count; k++) {
        usable = usable && is_between(TINY, sample->fuel_multiplier[k], HUGE_VALUE);
    }
    return usable;
}

/* Add the sample's operating point to the history; false when values are missing. */
static bool push(struct bl_learner *learner, const struct bl_sample *sample, double load,
                 double dt_s, bool gap)
{
    const struct bl_settings *settings = learner->settings;
    if (!is_usable(learner, sample, load)) {
        bl_history_clear(&learner->history);
        return false;
    }
    if (gap && dt_s > settings->history_s) {
        bl_history_clear(&learner->history);
        reset_seen(learner);
    }
    bool has_map = is_between(TINY, sample->map_kpa, HUGE_VALUE);
    bool has_intake = is_between(COLDEST_C, sample->intake_c, HUGE_VALUE);
    double map_kpa = has_map ? sample->map_kpa : USUAL_MAP_KPA;
    double intake_c = has_intake ? sample->intake_c : USUAL_INTAKE_C;
    double speed_rpm = sample->speed_rpm;
    for (int32_t k = 0; k < learner->bank_count; k++) {
        struct bl_bank_learner *bank = &learner->banks[k];
        bl_table_locate(&bank->table, speed_rpm, load);
        double air = bank->table.ve_pct;
        learner->gas_cm3[k] = bl_delay_gas_cm3(&bank->delay, speed_rpm, map_kpa, air, intake_c);
        learner->air[k] = settings->load_is_throttle ? air : air * load;
    }
    bool has_throttle = is_between(-HUGE_VALUE, sample->throttle_pct, HUGE_VALUE);
    bl_history_push(&learner->history, dt_s, speed_rpm, load,
                    has_throttle ? sample->throttle_pct : NAN, sample->target_lambda,
                    sample->fuel_multiplier, learner->air, learner->gas_cm3);
    return true;
}

bool bl_is_stuck(struct bl_learner *learner, struct bl_bank_learner *bank, double measured,
                 double dt_s)
{
    const struct bl_limits *limits = &learner->settings->limits;
    if (measured != bank->measured || learner->settings->sensor_kind == BL_SWITCHING) {
        bank->measured = measured;
        bank->stuck_s = 0.0;
    } else if (bank->seen.load_travel > limits->load_travel_half) {
        bank->stuck_s += dt_s;
    }
    return bank->stuck_s > limits->stuck_after_s;
}

/* Add what a sample shows, at the table's cursor, to a bank's evidence. */
static void use(struct bl_learner *learner, struct bl_bank_learner *bank,
                const struct bl_sample *sample, double weight, double dt_s)
{
    const struct bl_table *table = &bank->table;
    double lag_s = bank->delay.sensor_lag_s;
    double measured = sample->measured_lambda[bank->number];
    if (learner->settings->sensor_kind == BL_SWITCHING) measured = sample->target_lambda;
    bank->observation = measured / bank->seen.commanded - 1.0;
    double share = lag_s > 0.0 ? dt_s / (INDEPENDENT_LAGS * lag_s) : 1.0;
    if (bank->spike_s > 0.0) {
        bank->spike_s -= dt_s;
        weight *= AFTER_SPIKE;
    }
    const double v[4] = {table->v0, table->v1, table->v2, table->v3};
    bl_evidence_learn_one(&bank->evidence, table->index, v, bank->observation, weight,
                          share < 1.0 ? share : 1.0, bank->seen.terms);
    bank->weight = bank->evidence.weight;
    if (bank->evidence.outlier) bank->spike_s = SPIKE_LAGS * lag_s;
}

/* Verdict bits of what does not need the past in reach. */
static int32_t judge(struct bl_learner *learner, struct bl_bank_learner *bank,
                     const struct bl_sample *sample, double dt_s, double window_s)
{
    const struct bl_settings *settings = learner->settings;
    int32_t number = bank->number;
    int32_t verdict = bl_gates_judge_past(&learner->gates, window_s);
    verdict |= bl_gates_judge_sensor(&learner->gates, sample, number);
    if (settings->sensor_kind == BL_SWITCHING
        && !bl_loop_settled(&bank->loop, sample->fuel_multiplier[number], dt_s,
                            settings->limits.loop_turn_max_s)) {
        verdict |= BL_LOOP_NOT_SETTLED;
    }
    double measured = sample->measured_lambda[number];
    bool stuck = bank->aside != NULL ? bl_careful_is_stuck(learner, bank, measured, dt_s)
                                     : bl_is_stuck(learner, bank, measured, dt_s);
    return stuck ? verdict | BL_SENSOR_FAULTY : verdict;
}

static void learn_bank(struct bl_learner *learner, struct bl_bank_learner *bank,
                       const struct bl_sample *sample, double load, int32_t verdict, double dt_s)
{
    struct bl_history *history = &learner->history;
    struct bl_seen *seen = &bank->seen;
    double lag_s = bank->delay.sensor_lag_s;

    if (!bl_table_inside(&bank->table, sample->speed_rpm, load)) verdict |= BL_OUTSIDE_NOW;
    double transport_s = bl_history_look_back(history, bank->number, bank->delay.cycles,
                                              bank->delay.exhaust_volume_cm3);
    bool in_reach = transport_s >= 0.0;
    if (in_reach) {
        bank->delay_s = transport_s + lag_s;
    } else {
        transport_s = learner->settings->history_s;
    }
    double window_s = transport_s + 3.0 * lag_s;
    verdict |= judge(learner, bank, sample, dt_s, window_s);
    double weight = 0.0;
    if (in_reach) {
        bl_seen_update(seen, history, bank->number, transport_s, dt_s, lag_s);
        if (seen->primed_s < 3.0 * lag_s) verdict |= BL_HISTORY_SHORT;
        verdict |= bl_gates_judge_motion(&learner->gates, seen);
        weight = bl_gates_weigh_motion(&learner->gates, seen);
        double moved = bl_history_travel(history, history->target, window_s);
        if (moved > learner->settings->limits.target_change_max) verdict |= BL_TARGET_CHANGED;
        if (!bl_table_locate(&bank->table, seen->speed_rpm, seen->load)) {
            verdict |= BL_OUTSIDE_AT_INJECTION;
        }
    } else {
        bl_seen_reset(seen);
        verdict |= BL_HISTORY_SHORT;
    }
    if (verdict) {
        refuse(bank, verdict);
        return;
    }
    bank->seen_count++;
    bank->verdict = 0;
    bank->used_count++;
    use(learner, bank, sample, weight, dt_s);
}

bool bl_learner_learn_one(struct bl_learner *learner, const struct bl_sample *sample)
{
    if (sample->banks < learner->bank_count) return false;
    const struct bl_settings *settings = learner->settings;
    bool started = learner->last_us >= 0;
    double dt_s = started ? (double)(sample->time_us - learner->last_us) * 1e-6 : 0.0;
    if (started && dt_s <= 0.0) {
        refuse_all(learner, BL_HISTORY_SHORT);
        if (dt_s < 0.0) restart(learner, sample);
        return true;
    }
    bool gap = sample->lost_before > 0 || dt_s > settings->limits.gap_max_s;
    learner->last_us = sample->time_us;
    double load = settings->load_is_throttle ? sample->throttle_pct : sample->map_kpa;
    int32_t common = bl_gates_judge_engine(&learner->gates, sample, load, dt_s, gap);
    if (!push(learner, sample, load, dt_s, gap)) {
        reset_seen(learner);
        refuse_all(learner, common | BL_VALUE_MISSING);
        return true;
    }
    for (int32_t k = 0; k < learner->bank_count; k++) {
        learn_bank(learner, &learner->banks[k], sample, load, common, dt_s);
    }
    learner->block_s += dt_s;
    if (learner->block_s >= BLOCK_S) {
        learner->block_s = 0.0;
        for (int32_t k = 0; k < learner->bank_count; k++) {
            bl_evidence_close_block(&learner->banks[k].evidence);
        }
    }
    return true;
}
