/* Which samples may teach, and how much a moving one is worth: learner/core/gates.py. */
#include "breathmap_frames.h"
#include "breathmap_learner.h"

#define LONG_AGO_S 1e6
#define LATE_TURNS 1.8
#define TURN_SHARE 0.05

int32_t bl_primary_reason(int32_t verdict)
{
    int32_t number = 0;
    while (!(verdict & 1)) {
        verdict >>= 1;
        number++;
    }
    return number;
}

void bl_loop_init(struct bl_loop_watch *loop)
{
    loop->usual_s = loop->value = 0.0;
    loop->turns = 0;
    loop->rising = false;
    loop->since_turn_s = loop->since_turn_before_s = LONG_AGO_S;
}

static void turn(struct bl_loop_watch *loop, double maximum_s)
{
    if (loop->since_turn_s < maximum_s) {
        loop->turns++;
        double share = 1.0 / (double)loop->turns;
        if (share < TURN_SHARE) share = TURN_SHARE;
        loop->usual_s += share * (loop->since_turn_s - loop->usual_s);
    }
    loop->since_turn_before_s = loop->since_turn_s;
    loop->since_turn_s = 0.0;
}

bool bl_loop_settled(struct bl_loop_watch *loop, double multiplier, double dt_s, double maximum_s)
{
    loop->since_turn_s += dt_s;
    loop->since_turn_before_s += dt_s;
    if (multiplier != loop->value) {
        bool rising = multiplier > loop->value;
        if (rising != (loop->rising != 0)) turn(loop, maximum_s);
        loop->rising = rising;
        loop->value = multiplier;
    }
    double in_time_s = LATE_TURNS * loop->usual_s;
    if (in_time_s > maximum_s) in_time_s = maximum_s;
    return loop->since_turn_s <= in_time_s && loop->since_turn_before_s <= 2.0 * in_time_s;
}

void bl_gates_init(struct bl_gates *gates, const struct bl_settings *settings)
{
    gates->settings = settings;
    gates->since_cut_s = gates->since_enrichment_s = LONG_AGO_S;
    gates->since_other_s = gates->since_gap_s = LONG_AGO_S;
}

/* Verdict bits of what is measured of the engine itself. */
static int32_t judge_state(const struct bl_limits *limits, const struct bl_sample *sample,
                           double load)
{
    int32_t verdict = 0;
    /* Written so that NaN (not measured) refuses where the value is needed and passes where an
     * engine may lack the sensor. */
    if (!(sample->speed_rpm >= limits->speed_min_rpm)) verdict |= BL_ENGINE_NOT_RUNNING;
    if (sample->coolant_c < limits->coolant_min_c) verdict |= BL_COOLANT_COLD;
    if (sample->coolant_c > limits->coolant_max_c) verdict |= BL_ENGINE_TOO_HOT;
    if (sample->battery_v < limits->battery_min_v) verdict |= BL_BATTERY_LOW;
    if (!(load == load && sample->speed_rpm == sample->speed_rpm)) verdict |= BL_VALUE_MISSING;
    return verdict;
}

int32_t bl_gates_judge_engine(struct bl_gates *gates, const struct bl_sample *sample, double load,
                              double dt_s, bool gap)
{
    const struct bl_settings *settings = gates->settings;
    int32_t verdict = judge_state(&settings->limits, sample, load);
    uint32_t flags = (uint32_t)sample->flags;
    bool cut = flags & (BM_FLAG_FUEL_CUT | BM_FLAG_REV_LIMIT);
    bool enriched = flags & (BM_FLAG_ACCELERATION_ENRICHMENT | BM_FLAG_DECELERATION_ENLEANMENT);
    bool other = flags & (BM_FLAG_POWER_ENRICHMENT | BM_FLAG_WARM_UP_ENRICHMENT);
    gates->since_cut_s = cut ? 0.0 : gates->since_cut_s + dt_s;
    gates->since_enrichment_s = enriched ? 0.0 : gates->since_enrichment_s + dt_s;
    gates->since_other_s = other ? 0.0 : gates->since_other_s + dt_s;
    gates->since_gap_s = gap ? 0.0 : gates->since_gap_s + dt_s;
    if (gates->since_cut_s == 0.0) verdict |= BL_FUEL_IS_CUT;
    bool closed_loop = flags & BM_FLAG_CLOSED_LOOP;
    if ((settings->closed_loop != 0) != closed_loop || flags & BM_FLAG_LONG_TERM_ADAPTATION) {
        verdict |= BL_CLOSED_LOOP_WRONG;
    }
    return verdict;
}

int32_t bl_gates_judge_past(const struct bl_gates *gates, double window_s)
{
    const struct bl_limits *limits = &gates->settings->limits;
    int32_t verdict = 0;
    if (0.0 < gates->since_cut_s && gates->since_cut_s <= window_s + limits->fuel_cut_recovery_s) {
        verdict |= BL_FUEL_CUT_RECOVERY;
    }
    double recovery_s = window_s + limits->enrichment_recovery_s;
    if (gates->since_enrichment_s <= recovery_s) verdict |= BL_ENRICHMENT;
    if (gates->since_other_s <= recovery_s) verdict |= BL_OTHER_ENRICHMENT;
    if (gates->since_gap_s <= window_s) verdict |= BL_FRAMES_LOST;
    return verdict;
}

int32_t bl_gates_judge_sensor(const struct bl_gates *gates, const struct bl_sample *sample,
                              int32_t bank)
{
    const struct bl_limits *limits = &gates->settings->limits;
    uint32_t state = (uint32_t)sample->sensor_state[bank];
    if (state == BM_SENSOR_FAULT) return BL_SENSOR_FAULTY;
    if (state != BM_SENSOR_READY) return BL_SENSOR_NOT_READY;
    if (gates->settings->sensor_kind == BL_SWITCHING) {
        return sample->fuel_multiplier[bank] > 0.0 ? 0 : BL_VALUE_MISSING;
    }
    double measured = sample->measured_lambda[bank];
    if (measured != measured) return BL_VALUE_MISSING;
    bool in_range = limits->lambda_min <= measured && measured <= limits->lambda_max;
    return in_range ? 0 : BL_LAMBDA_OUT_OF_RANGE;
}

int32_t bl_gates_judge_motion(const struct bl_gates *gates, const struct bl_seen *seen)
{
    const struct bl_limits *limits = &gates->settings->limits;
    int32_t verdict = 0;
    if (seen->throttle_travel > limits->throttle_travel_max_pct) verdict |= BL_THROTTLE_MOVING;
    if (seen->load_travel > limits->load_travel_max) verdict |= BL_PRESSURE_MOVING;
    if (seen->speed_travel > limits->speed_travel_max_rpm) verdict |= BL_SPEED_MOVING;
    return verdict;
}

double bl_gates_weigh_motion(const struct bl_gates *gates, const struct bl_seen *seen)
{
    const struct bl_limits *limits = &gates->settings->limits;
    double load = seen->load_travel / limits->load_travel_half;
    double speed = seen->speed_travel / limits->speed_travel_half_rpm;
    double film = seen->film_size / limits->film_half;
    return 1.0 / ((1.0 + load * load + speed * speed) * (1.0 + film * film));
}
