/* Recent operating points, and the point as a sensor sees it: learner/core/history.py. */
#include <math.h>

#include "breathmap_learner.h"

#define AIR_GAS_CONSTANT 287.05287
#define EXHAUST_PRESSURE_KPA 101.325
#define FUEL_IN_EXHAUST (1.0 + 1.0 / 14.7)
#define FULL_SPEED_RPM 6000.0
#define COOLING 0.12
#define REBASE_S 512.0
#define TRAVEL_S 0.3

double bl_delay_gas_cm3(const struct bl_delay_model *delay, double speed_rpm, double map_kpa,
                        double ve_pct, double intake_c)
{
    double air_mg =
        ve_pct * map_kpa * delay->swept_cm3 * 10.0 / (AIR_GAS_CONSTANT * (intake_c + 273.15));
    double full_mg = delay->swept_cm3 * 1.0;
    double share = air_mg * speed_rpm / (full_mg * FULL_SPEED_RPM);
    double gas_k = delay->exhaust_temp_k * pow(share, COOLING);
    return air_mg * FUEL_IN_EXHAUST * AIR_GAS_CONSTANT * gas_k * 1e-3 / EXHAUST_PRESSURE_KPA;
}

void bl_history_clear(struct bl_history *history)
{
    history->count = 0;
    history->newest = -1;
    history->now_s = 0.0;
}

/* Let a running total be 0 at the newest point. */
static void set_back(bl_real *column, int32_t size, double by)
{
    for (int32_t k = 0; k < size; k++) column[k] = (bl_real)((double)column[k] - by);
}

static void rebase(struct bl_history *history)
{
    int32_t newest = history->newest, size = history->size;
    history->now_s -= REBASE_S;
    set_back(history->time_s, size, REBASE_S);
    set_back(history->turned, size, (double)history->turned[newest]);
    for (int32_t bank = 0; bank < history->banks; bank++) {
        bl_real *passed_cm3 = history->passed_cm3[bank];
        set_back(passed_cm3, size, (double)passed_cm3[newest]);
    }
}

void bl_history_push(struct bl_history *history, double dt_s, double speed_rpm, double load,
                     double throttle, double target, const double *multipliers, const double *air,
                     const double *gas_cm3)
{
    if (history->now_s > REBASE_S) rebase(history);
    int32_t before = history->newest, place = before + 1;
    if (place == history->size) place = 0;
    history->now_s += dt_s;
    history->time_s[place] = (bl_real)history->now_s;
    history->speed_rpm[place] = (bl_real)speed_rpm;
    history->load[place] = (bl_real)load;
    history->throttle[place] = (bl_real)throttle;
    history->target[place] = (bl_real)target;
    bool first = history->count == 0;
    double old_rpm = first ? 0.0 : (double)history->speed_rpm[before];
    double turned = 0.0;
    if (!first) turned = (double)history->turned[before] + dt_s * (old_rpm + speed_rpm) / 240.0;
    history->turned[place] = (bl_real)turned;
    for (int32_t bank = 0; bank < history->banks; bank++) {
        history->commanded[bank][place] = (bl_real)(target / multipliers[bank]);
        history->air[bank][place] = (bl_real)air[bank];
        double passed = 0.0;
        if (!first) {
            double flow = history->gas_cm3[bank] * old_rpm + gas_cm3[bank] * speed_rpm;
            passed = (double)history->passed_cm3[bank][before] + dt_s * flow / 240.0;
        }
        history->passed_cm3[bank][place] = (bl_real)passed;
        history->gas_cm3[bank] = gas_cm3[bank];
    }
    history->newest = place;
    if (history->count < history->size) history->count++;
}

/* Put the cursor where a growing column passed a value. */
static bool search(struct bl_history *history, const bl_real *column, double wanted, int32_t place,
                   int32_t left)
{
    int32_t newer = place, older = place;
    while (left && (double)column[older] > wanted) {
        newer = older;
        older--;
        if (older < 0) older = history->size - 1;
        left--;
    }
    if (!left) return false;
    history->older = older;
    history->newer = newer;
    history->left = newer == older ? left : left + 1;
    double step = (double)column[newer] - (double)column[older];
    history->share = step > 0.0 ? (wanted - (double)column[older]) / step : 0.0;
    return true;
}

bool bl_history_find(struct bl_history *history, double ago_s)
{
    return search(history, history->time_s, history->now_s - ago_s, history->newest,
                  history->count);
}

double bl_history_look_back(struct bl_history *history, int32_t bank, double cycles,
                            double volume_cm3)
{
    const bl_real *passed_cm3 = history->passed_cm3[bank];
    int32_t newest = history->newest;
    double wanted = (double)passed_cm3[newest] - volume_cm3;
    if (!search(history, passed_cm3, wanted, newest, history->count)) return -1.0;
    wanted = bl_history_at(history, history->turned) - cycles;
    if (!search(history, history->turned, wanted, history->newer, history->left)) return -1.0;
    return history->now_s - bl_history_at(history, history->time_s);
}

double bl_history_at(const struct bl_history *history, const bl_real *column)
{
    double before = (double)column[history->older];
    return before + history->share * ((double)column[history->newer] - before);
}

double bl_history_travel(const struct bl_history *history, const bl_real *column, double span_s)
{
    int32_t place = history->newest;
    double oldest_s = (double)history->time_s[place] - span_s;
    double low = (double)column[place], high = low;
    for (int32_t k = 0; k < history->count - 1; k++) {
        place--;
        if (place < 0) place = history->size - 1;
        if ((double)history->time_s[place] < oldest_s) break;
        double value = (double)column[place];
        if (value < low) {
            low = value;
        } else if (value > high) {
            high = value;
        }
    }
    return high - low;
}

void bl_seen_reset(struct bl_seen *seen)
{
    seen->primed_s = -1.0;
}

/* Move the film's low-passes on by a step, and fill its columns. */
static void read_film(struct bl_seen *seen, double flow, double relative, double step_s)
{
    double *low = seen->low, *terms = seen->input + BL_IN_FIXED;
    if (seen->primed_s < 0.0) {
        low[0] = low[2] = flow;
        low[1] = 2.0 * relative * flow;
    }
    double part = step_s > 0.0 ? 1.0 - exp(-step_s / seen->film_s) : 0.0;
    low[0] += (flow - low[0]) * part;
    terms[0] = 1.0 - low[0] / flow;
    if (seen->film_terms > 1) {
        double drive = relative * (flow + low[0]);
        low[1] += (drive - low[1]) * part;
        terms[1] = (drive - low[1]) / flow;
    }
    if (seen->film_terms > 2) {
        low[2] += (low[0] - low[2]) * part;
        terms[2] = (low[0] - low[2]) / flow;
    }
}

/* Fill the inputs with the point at the history's cursor. */
static void read_point(struct bl_seen *seen, struct bl_history *history, int32_t bank,
                       double transport_s, double dt_s)
{
    double *input = seen->input;
    double speed_rpm = bl_history_at(history, history->speed_rpm);
    double load = bl_history_at(history, history->load);
    double commanded = bl_history_at(history, history->commanded[bank]);
    input[BL_IN_SPEED] = speed_rpm;
    input[BL_IN_LOAD] = load;
    input[BL_IN_COMMANDED] = commanded;
    input[BL_IN_THROTTLE] = bl_history_at(history, history->throttle);
    if (!seen->n_terms) return;
    double air = bl_history_at(history, history->air[bank]);
    double flow = air * speed_rpm / commanded;
    double step_s = dt_s - (transport_s - seen->transport_s);
    seen->transport_s = transport_s;
    if (seen->film_terms) read_film(seen, flow, 2.0 * load / seen->load_top - 1.0, step_s);
    if (seen->lead) {
        double lead_s = 60.0 / speed_rpm;
        bl_history_find(history, transport_s > lead_s ? transport_s - lead_s : 0.0);
        input[BL_IN_FIXED + seen->n_terms - 1] =
            log(bl_history_at(history, history->air[bank]) / air);
    }
}

/* Follow a value with a band that opens at once and closes slowly; return its width. */
static double widen(struct bl_seen *seen, int32_t place, double value, double shrink, bool restart)
{
    double *band = seen->band + place;
    if (restart || band[0] != band[0]) band[0] = band[1] = value;
    double high = band[0], low = band[1];
    if (value != value) return high - low;
    high = value > high ? value : high + (value - high) * shrink;
    low = value < low ? value : low + (value - low) * shrink;
    band[0] = high;
    band[1] = low;
    return high - low;
}

void bl_seen_update(struct bl_seen *seen, struct bl_history *history, int32_t bank,
                    double transport_s, double dt_s, double lag_s)
{
    read_point(seen, history, bank, transport_s, dt_s);
    const double *input = seen->input;
    double *before = seen->before;
    double keep = 0.0, old = 0.0, new = 1.0;
    if (seen->primed_s < 0.0) {
        seen->primed_s = 0.0;
    } else {
        seen->primed_s += dt_s;
        keep = lag_s > 0.0 ? exp(-dt_s / lag_s) : 0.0;
        double mean = (1.0 - keep) * lag_s / dt_s;
        old = mean - keep;
        new = 1.0 - mean;
    }
    seen->speed_rpm = keep * seen->speed_rpm + old * before[BL_IN_SPEED] + new * input[BL_IN_SPEED];
    seen->load = keep * seen->load + old * before[BL_IN_LOAD] + new * input[BL_IN_LOAD];
    seen->commanded =
        keep * seen->commanded + old * before[BL_IN_COMMANDED] + new * input[BL_IN_COMMANDED];
    for (int32_t k = 0; k < seen->n_terms; k++) {
        int32_t at = BL_IN_FIXED + k;
        seen->terms[k] = keep * seen->terms[k] + old * before[at] + new * input[at];
    }
    if (seen->film_terms) seen->film_size = fabs(seen->terms[0]);
    for (int32_t k = 0; k < BL_IN_FIXED + seen->n_terms; k++) before[k] = input[k];
    bool restart = seen->primed_s == 0.0;
    double shrink = 1.0 - exp(-dt_s / TRAVEL_S);
    seen->speed_travel = widen(seen, 0, seen->speed_rpm, shrink, restart);
    seen->load_travel = widen(seen, 2, seen->load, shrink, restart);
    seen->throttle_travel = widen(seen, 4, input[BL_IN_THROTTLE], shrink, restart);
}
