/* Lean under load: learner/core/lean.py. */
#include <string.h>

#include "breathmap_frames.h"
#include "breathmap_learner.h"

#define NONE 99.0
#define STEP_S 0.1
#define WINDOW_S 0.35
#define WINDOW_CYCLES 8.0
#define FILM_S 0.5
#define FILM_WARM 0.2
#define FILM_COLD 0.35
#define WARM_C 60.0
#define QUIET_AFTER_CUT_S 2.0
#define CALL 0.0027
#define MOST_ABOVE 0.06
#define END_S 1.0
#define GAP_S 1.0

/* Places in `kept` behind the ring. */
enum { WHOLE = BL_STEPS, NEWEST, ALL };

/* The value at a load, straight between neighbours; NONE below the first load. */
static double between(const double *loads, const double *values, int32_t count, double load)
{
    if (!(load >= loads[0])) return NONE;
    for (int32_t k = 0; k < count - 1; k++) {
        if (load < loads[k + 1]) {
            double part = (load - loads[k]) / (loads[k + 1] - loads[k]);
            return values[k] + part * (values[k + 1] - values[k]);
        }
    }
    return values[count - 1];
}

/* Widen one place by another; afresh: be the other. */
static void join(float *kept, int32_t into, int32_t other, bool afresh)
{
    float *a = kept + 3 * into;
    const float *b = kept + 3 * other;
    if (afresh || b[0] < a[0]) a[0] = b[0];
    for (int32_t k = 1; k < 3; k++) {
        if (afresh || b[k] > a[k]) a[k] = b[k];
    }
}

void bl_lean_init(struct bl_lean *lean, const struct bl_settings *settings)
{
    lean->settings = settings;
    lean->count = 0;
    lean->judged_s = 0.0;
    lean->low = -1.0;
    lean->base = NONE;
    lean->at = 0;
    memset(lean->run, 0, sizeof lean->run);
    memset(lean->kept, 0, sizeof lean->kept);
    bl_lean_restart(lean);
}

void bl_lean_restart(struct bl_lean *lean)
{
    lean->last_us = -1;
    lean->steps = 0;
    lean->step_s = lean->flow = lean->quiet_s = 0.0;
    for (int32_t bank = 0; bank < lean->settings->bank_count; bank++) {
        float *run = lean->run + bank * BL_SLOTS;
        lean->on[bank] = false;
        run[BL_SCORE] = 0.0f;
        run[BL_ABOVE] = run[BL_RUN_S] = -1.0f;
    }
}

/* Remember the operating point in the newest step, and what `steps` of them say. */
static void keep(struct bl_lean *lean, double load, double target, double flow, double dt_s,
                 int32_t steps)
{
    if (lean->steps == 0) lean->flow = flow;
    lean->flow += (flow - lean->flow) * dt_s / (dt_s + FILM_S);
    float *kept = lean->kept;
    double new_to_film = 1.0 - lean->flow / flow;
    kept[3 * NEWEST] = (float)load;
    kept[3 * NEWEST + 1] = (float)(target == target ? target : NONE);
    kept[3 * NEWEST + 2] = (float)(new_to_film > 0.0 ? new_to_film : 0.0);
    lean->step_s += dt_s;
    bool begins = lean->steps == 0 || lean->step_s >= STEP_S;
    if (begins) {
        lean->step_s = 0.0;
        lean->steps++;
        int32_t count = steps < lean->steps ? steps : lean->steps;
        for (int32_t k = 0; k < count - 1; k++) {
            join(kept, WHOLE, (lean->at + BL_STEPS - k) % BL_STEPS, k == 0);
        }
        lean->at = (lean->at + 1) % BL_STEPS;
    }
    join(kept, lean->at, NEWEST, begins);
    join(kept, ALL, WHOLE, true);
    join(kept, ALL, lean->at, false);
}

/* Move the window on, and find what the newest readings are held against. */
static void follow(struct bl_lean *lean, const struct bl_sample *sample, double load, double dt_s)
{
    lean->low = -1.0;
    lean->base = NONE;
    double speed_rpm = sample->speed_rpm;
    lean->quiet_s -= dt_s;
    if (!(speed_rpm >= lean->settings->limits.speed_min_rpm && load > 0.0)) {
        lean->steps = 0;
        return;
    }
    double window_s = WINDOW_S + WINDOW_CYCLES * 120.0 / speed_rpm;
    uint32_t flags = (uint32_t)sample->flags;
    if (flags & (BM_FLAG_FUEL_CUT | BM_FLAG_REV_LIMIT)) {
        lean->quiet_s = QUIET_AFTER_CUT_S;
    } else if (flags & BM_FLAG_DECELERATION_ENLEANMENT && lean->quiet_s < window_s) {
        lean->quiet_s = window_s;
    }
    double steps_in = window_s / STEP_S;
    int32_t steps = steps_in < (double)BL_STEPS ? 2 + (int32_t)steps_in : BL_STEPS;
    if (steps > BL_STEPS) steps = BL_STEPS;
    keep(lean, load, sample->target_lambda, load * speed_rpm, dt_s, steps);
    bool switching = lean->settings->sensor_kind == BL_SWITCHING;
    if (lean->steps < steps || lean->quiet_s > 0.0 || switching) return;
    lean->low = (double)lean->kept[3 * ALL];
    double target = (double)lean->kept[3 * ALL + 1];
    if (target < NONE) {
        double film = sample->coolant_c < WARM_C ? FILM_COLD : FILM_WARM;
        lean->base = target * (1.0 + film * (double)lean->kept[3 * ALL + 2]);
    }
}

/* The lambda that is too lean now, NONE where nothing is. */
static double limit_of(const struct bl_lean *lean)
{
    double limit = between(lean->lean_load, lean->lean_lambda, lean->lean_count, lean->low);
    double above = between(lean->target_load, lean->above_target, lean->target_count, lean->low);
    double other = lean->base + above;
    return other < limit ? other : limit;
}

/* Add one reading to its bank's sum; above: its distance above the limit, -1 for none. */
static void judge(struct bl_lean *lean, int32_t bank, double above, double dt_s)
{
    float *run = lean->run + bank * BL_SLOTS;
    double both = above;
    if ((double)run[BL_ABOVE] < both) both = (double)run[BL_ABOVE];
    if (MOST_ABOVE < both) both = MOST_ABOVE;
    if (!(both > -MOST_ABOVE)) both = -MOST_ABOVE;
    run[BL_ABOVE] = (float)above;
    double score = (double)run[BL_SCORE] + both * dt_s;
    if (!(score > 0.0)) score = 0.0;
    run[BL_SCORE] = (float)score;
    if (run[BL_RUN_S] >= 0.0f) {
        run[BL_RUN_S] = (float)((double)run[BL_RUN_S] + dt_s);
    } else if (above > 0.0) {
        run[BL_RUN_S] = run[BL_WORST] = 0.0f;
    }
    if (above > 0.0) run[BL_LAST_S] = run[BL_RUN_S];
    if (lean->on[bank]) {
        if ((double)run[BL_RUN_S] - (double)run[BL_LAST_S] >= END_S) {
            lean->on[bank] = false;
            run[BL_SCORE] = 0.0f;
            run[BL_RUN_S] = -1.0f;
        }
    } else if (score >= CALL) {
        lean->on[bank] = true;
        lean->count++;
    } else if (score <= 0.0 && above <= 0.0) {
        run[BL_RUN_S] = -1.0f;
    }
}

double bl_lean_take(struct bl_lean *lean, const struct bl_sample *sample)
{
    double dt_s = lean->last_us >= 0 ? (double)(sample->time_us - lean->last_us) * 1e-6 : 0.0;
    if (!(0.0 <= dt_s && dt_s < GAP_S)) {
        bl_lean_restart(lean);
        dt_s = 0.0;
    }
    lean->last_us = sample->time_us;
    follow(lean, sample, lean->settings->load_is_throttle ? sample->throttle_pct : sample->map_kpa,
           dt_s);
    double limit = limit_of(lean);
    bool judged = false;
    for (int32_t bank = 0; bank < lean->settings->bank_count; bank++) {
        double value = sample->measured_lambda[bank], above = -1.0;
        bool ready = (uint32_t)sample->sensor_state[bank] == BM_SENSOR_READY;
        if (limit < NONE && ready && value == value) {
            judged = true;
            above = value - limit;
        }
        judge(lean, bank, above, dt_s);
        float *worst = lean->run + bank * BL_SLOTS + BL_WORST;
        if (above > 0.0 && above >= (double)worst[0]) {
            worst[0] = (float)above;
            worst[1] = (float)value;
            worst[2] = (float)limit;
            worst[3] = (float)sample->speed_rpm;
            worst[4] = (float)lean->low;
        }
    }
    if (judged) lean->judged_s += dt_s;
    return dt_s;
}
