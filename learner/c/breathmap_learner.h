/* breathmap learner: samples in, verdicts out, evidence kept; the core of learner/core in C99.
 *
 * No allocation, no I/O, no recursion, nothing global that changes. Files, functions and members are
 * named as in the Python modules (table.py and table.c; Table.locate and bl_table_locate), so that
 * the two can be read side by side; the Python stays the reference, and what a function promises is
 * said there. Both give the same numbers, bit for bit, where exp, log and pow do: compile with
 * -ffp-contract=off.
 *
 * BREATHMAP_REAL: how evidence, history and table cells are stored, double by default or float.
 * Arithmetic is in double either way.
 *
 *     uint8_t memory[...];                               (bl_learner_bytes says how many)
 *     struct bl_learner *learner = bl_learner_init(memory, &settings, rate_hz);
 *     bl_learner_learn_one(learner, &sample);
 *     ... learner->banks[0].verdict, learner->banks[0].evidence.cells
 *
 * Not for interrupt routines: one learner belongs to one thread of execution. */
#ifndef BREATHMAP_LEARNER_H
#define BREATHMAP_LEARNER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifndef BREATHMAP_REAL
#define BREATHMAP_REAL double
#endif
typedef BREATHMAP_REAL bl_real;

#define BL_MAX_BANKS 8
#define BL_REASONS 22

/* ---- table.c ---- */

struct bl_table {
    const double *speed_rpm, *load; /* breakpoints, ascending; the caller's */
    const bl_real *cells;           /* VE in per cent, speed_count a row; the caller's */
    int32_t speed_count, load_count;
    int32_t index, column, row; /* the cursor */
    double v0, v1, v2, v3, ve_pct;
};

bool bl_table_inside(const struct bl_table *table, double speed_rpm, double load);
bool bl_table_locate(struct bl_table *table, double speed_rpm, double load);

/* ---- single_precision.c ---- */

struct bl_evidence;

/* Numbers of the stencil that one observation adds to. */
#define BL_IN_CELLS 18

/* Three numbers for each sum that an observation adds to; in double there is none of it. */
struct bl_held {
    int32_t index;
    uint32_t random;
    uint16_t *place;
    bl_real *base;
    double *added;
};

size_t bl_held_count(int32_t n_terms);
void bl_held_add(struct bl_evidence *evidence, const double v[4], double d, double weight,
                 double share, const double *terms);
void bl_held_enter(struct bl_evidence *evidence, int32_t index);
void bl_held_leave(struct bl_evidence *evidence);

/* ---- kernel.c ---- */

enum { BL_SELF, BL_EAST, BL_NORTH, BL_NORTH_EAST, BL_NORTH_WEST, BL_RHS, BL_COVERAGE, BL_X };
#define BL_PER_CELL 8
enum { BL_COUNT, BL_WEIGHT, BL_SQUARE, BL_BLOCK_SQUARE, BL_SUMS };
#define BL_BLOCK_CELLS 48

struct bl_evidence {
    bl_real *cells, *border, *corner, *term_rhs, *term_x, *term_dot, *sums, *block_score;
    uint16_t *block_index;
    struct bl_held *held; /* NULL in double */
    double noise, table_sd, term_sd, residual, weight, outlier_share;
    int32_t speed_count, load_count, n_terms, square, block_used, outlier;
};

double bl_evidence_predict(const struct bl_evidence *evidence, int32_t index, const double v[4]);
void bl_evidence_learn_one(struct bl_evidence *evidence, int32_t index, const double v[4], double d,
                           double weight, double share, const double *terms);
void bl_evidence_close_block(struct bl_evidence *evidence);
void bl_evidence_leave_square(struct bl_evidence *evidence);
double bl_evidence_open_square(const struct bl_evidence *evidence);

/* ---- history.c ---- */

struct bl_delay_model {
    double cycles, exhaust_volume_cm3, sensor_lag_s, exhaust_temp_k, swept_cm3;
};

double bl_delay_gas_cm3(const struct bl_delay_model *delay, double speed_rpm, double map_kpa,
                        double ve_pct, double intake_c);

struct bl_history {
    bl_real *time_s, *speed_rpm, *load, *throttle, *target, *turned;
    bl_real *commanded[BL_MAX_BANKS], *air[BL_MAX_BANKS], *passed_cm3[BL_MAX_BANKS];
    double *gas_cm3; /* of one cycle at the newest point, a number a bank */
    double now_s, share;
    int32_t size, banks, newest, count, older, newer, left;
};

void bl_history_clear(struct bl_history *history);
void bl_history_push(struct bl_history *history, double dt_s, double speed_rpm, double load,
                     double throttle, double target, const double *multipliers, const double *air,
                     const double *gas_cm3);
bool bl_history_find(struct bl_history *history, double ago_s);
double bl_history_look_back(struct bl_history *history, int32_t bank, double cycles,
                            double volume_cm3);
double bl_history_at(const struct bl_history *history, const bl_real *column);
double bl_history_travel(const struct bl_history *history, const bl_real *column, double span_s);

/* Places in Seen's inputs, before the terms. */
enum { BL_IN_SPEED, BL_IN_LOAD, BL_IN_COMMANDED, BL_IN_THROTTLE, BL_IN_FIXED };

struct bl_seen {
    double *terms, *input, *before, *low, *band; /* n_terms, 4 + n_terms twice, 3, 6 */
    double film_s, load_top, film_size, speed_rpm, load, commanded, primed_s;
    double speed_travel, load_travel, throttle_travel, transport_s;
    int32_t film_terms, lead, n_terms;
};

void bl_seen_reset(struct bl_seen *seen);
void bl_seen_update(struct bl_seen *seen, struct bl_history *history, int32_t bank,
                    double transport_s, double dt_s, double lag_s);

/* ---- settings ---- */

enum { BL_WIDEBAND, BL_SWITCHING };

struct bl_limits {
    double speed_min_rpm, coolant_min_c, coolant_max_c, battery_min_v, lambda_min, lambda_max;
    double fuel_cut_recovery_s, enrichment_recovery_s;
    double throttle_travel_max_pct, load_travel_max, speed_travel_max_rpm;
    double load_travel_half, speed_travel_half_rpm, film_half;
    double target_change_max, stuck_after_s, loop_turn_max_s, gap_max_s;
};

/* The defaults of settings.py. */
void bl_limits_init(struct bl_limits *limits);

struct bl_bank_settings {
    struct bl_table table; /* axes, cells and counts; the rest may be 0 */
    struct bl_delay_model delay;
};

struct bl_settings {
    const struct bl_bank_settings *banks;
    struct bl_limits limits;
    double film_s, history_s, noise;
    int32_t bank_count, load_is_throttle, sensor_kind, closed_loop, film_terms, charge_lead;
};

/* What settings.py takes where nothing is said; banks and bank_count stay to be filled. */
void bl_settings_init(struct bl_settings *settings);

/* ---- gates.c ---- */

enum {
    BL_ENGINE_NOT_RUNNING = 1,
    BL_COOLANT_COLD = 2,
    BL_ENGINE_TOO_HOT = 4,
    BL_BATTERY_LOW = 8,
    BL_SENSOR_NOT_READY = 16,
    BL_SENSOR_FAULTY = 32,
    BL_LAMBDA_OUT_OF_RANGE = 64,
    BL_FUEL_IS_CUT = 128,
    BL_FUEL_CUT_RECOVERY = 256,
    BL_ENRICHMENT = 512,
    BL_OTHER_ENRICHMENT = 1024,
    BL_THROTTLE_MOVING = 2048,
    BL_PRESSURE_MOVING = 4096,
    BL_SPEED_MOVING = 8192,
    BL_OUTSIDE_NOW = 16384,
    BL_OUTSIDE_AT_INJECTION = 32768,
    BL_CLOSED_LOOP_WRONG = 65536,
    BL_TARGET_CHANGED = 131072,
    BL_HISTORY_SHORT = 262144,
    BL_FRAMES_LOST = 524288,
    BL_VALUE_MISSING = 1048576,
    BL_LOOP_NOT_SETTLED = 2097152
};

/* One time-aligned set of measurements; what was not sent is NaN. */
struct bl_sample {
    int64_t time_us;
    int32_t lost_before, flags;
    double speed_rpm, map_kpa, throttle_pct, coolant_c, intake_c, battery_v, target_lambda;
    double measured_lambda[BL_MAX_BANKS], fuel_multiplier[BL_MAX_BANKS];
    int32_t sensor_state[BL_MAX_BANKS];
    int32_t banks;
};

struct bl_loop_watch {
    double usual_s, value, since_turn_s, since_turn_before_s;
    int64_t turns;
    int32_t rising;
};

void bl_loop_init(struct bl_loop_watch *loop);
bool bl_loop_settled(struct bl_loop_watch *loop, double multiplier, double dt_s, double maximum_s);

struct bl_gates {
    const struct bl_settings *settings;
    double since_cut_s, since_enrichment_s, since_other_s, since_gap_s;
};

void bl_gates_init(struct bl_gates *gates, const struct bl_settings *settings);
int32_t bl_gates_judge_engine(struct bl_gates *gates, const struct bl_sample *sample, double load,
                              double dt_s, bool gap);
int32_t bl_gates_judge_past(const struct bl_gates *gates, double window_s);
int32_t bl_gates_judge_sensor(const struct bl_gates *gates, const struct bl_sample *sample,
                              int32_t bank);
int32_t bl_gates_judge_motion(const struct bl_gates *gates, const struct bl_seen *seen);
double bl_gates_weigh_motion(const struct bl_gates *gates, const struct bl_seen *seen);
int32_t bl_primary_reason(int32_t verdict);

/* ---- stream.c and alive.c ---- */

/* What a bank held before its reading began to repeat itself; for hosts, see alive.py. */
struct bl_aside {
    bl_real *cells, *border, *corner, *term_rhs, *term_x, *term_dot, *sums, *block_score;
    uint16_t *block_index;
    double noise, outlier_share, spike_s;
    int64_t used, taken_out;
    int32_t block_used, is_kept;
};

struct bl_bank_learner {
    struct bl_table table;
    struct bl_delay_model delay;
    struct bl_seen seen;
    struct bl_evidence evidence;
    struct bl_loop_watch loop;
    struct bl_aside *aside; /* NULL: nothing is taken out again */
    double weight, observation, delay_s, spike_s, stuck_s, measured;
    int64_t seen_count, used_count, refused[BL_REASONS];
    int32_t number, verdict;
};

struct bl_learner {
    const struct bl_settings *settings;
    struct bl_bank_learner *banks;
    struct bl_history history;
    struct bl_gates gates;
    double *air, *gas_cm3; /* of the newest sample, a number a bank */
    double block_s;
    int64_t last_us;
    int32_t bank_count;
};

/* Bytes that bl_learner_init takes for an engine whose samples come at most so often, or 0 when the
 * settings cannot be (no bank, too many, a table below 2 x 2, more than three film terms). */
size_t bl_learner_bytes(const struct bl_settings *settings, double rate_hz);

/* Make a learner in `memory`, aligned as for a double. The settings, and the tables' axes and cells,
 * are kept by address and may lie in flash. */
struct bl_learner *bl_learner_init(void *memory, const struct bl_settings *settings,
                                   double rate_hz);

/* Take one sample; every bank's verdict, weight and observation then say what was done with it.
 * False when it has too few banks: nothing was done. */
bool bl_learner_learn_one(struct bl_learner *learner, const struct bl_sample *sample);

bool bl_careful_is_stuck(struct bl_learner *learner, struct bl_bank_learner *bank, double measured,
                         double dt_s);
bool bl_is_stuck(struct bl_learner *learner, struct bl_bank_learner *bank, double measured,
                 double dt_s);

/* ---- lean.c ---- */

/* Places in bl_lean's run, BL_SLOTS a bank. */
enum { BL_SCORE, BL_ABOVE, BL_RUN_S, BL_LAST_S, BL_WORST, BL_SLOTS = 9 };
#define BL_STEPS 18

struct bl_lean {
    const struct bl_settings *settings;
    const double *lean_load, *lean_lambda, *target_load, *above_target; /* the caller's */
    double judged_s, low, base, step_s, flow, quiet_s;
    int64_t count, last_us;
    int32_t lean_count, target_count; /* of these loads */
    int32_t at, steps, on[BL_MAX_BANKS];
    float run[BL_SLOTS * BL_MAX_BANKS], kept[3 * (BL_STEPS + 3)];
};

/* Loads, lambdas and their counts stand in `lean` already. */
void bl_lean_init(struct bl_lean *lean, const struct bl_settings *settings);
void bl_lean_restart(struct bl_lean *lean);
double bl_lean_take(struct bl_lean *lean, const struct bl_sample *sample);

/* ---- snapshot.c: evidence as the protocol's frames (wire specification, section 4) ---- */

struct bl_names {
    const char *engine;
    const char *const *banks;
};

/* Takes a whole frame; false when it could not be kept. */
typedef bool (*bl_send)(void *to, const uint8_t *frame, uint16_t bytes);

/* The fingerprint of what a bank's evidence is about. */
uint32_t bl_fingerprint(const struct bl_settings *settings, const struct bl_table *table);

/* Begin anew: nothing learned; noise: the first guess, as when the evidence was made. */
void bl_clear(struct bl_evidence *evidence, double noise);

/* Close the blocks in progress and send all evidence, bank by bank; false when a frame could not be
 * kept. origin: the same for evidence that only grew; snapshot: larger than any before. */
bool bl_snapshot_send(struct bl_learner *learner, const struct bl_names *names, uint32_t origin,
                      uint32_t snapshot, bl_send send, void *to);

/* Follows the frames of one snapshot, in order, and looks whether they are whole. */
struct bl_snapshot_walk {
    struct bl_learner *learner;
    bool restores; /* puts the numbers into the learner, too: for frames that were whole before */
    bool is_bad;
    uint32_t origin, snapshot, wanted_crc, crc;
    int32_t bank, part, part_count;
};

void bl_walk_init(struct bl_snapshot_walk *walk, struct bl_learner *learner, bool restores);
void bl_walk_frame(struct bl_snapshot_walk *walk, uint8_t type, const uint8_t *payload,
                   uint8_t bytes);
/* True when all banks came, whole, and fit the learner. */
bool bl_walk_is_whole(const struct bl_snapshot_walk *walk);

/* ---- many.c and alarms.c: for hosts ---- */

/* Columns of many samples, of the members of bl_sample; per-bank ones hold all banks of a sample
 * side by side. */
struct bl_columns {
    const int64_t *time_us;
    const int32_t *lost_before;
    const uint16_t *flags;
    const double *speed_rpm, *map_kpa, *throttle_pct, *coolant_c, *intake_c, *battery_v;
    const double *target_lambda, *measured_lambda, *fuel_multiplier;
    const uint8_t *sensor_state;
    int64_t count;
    int32_t banks;
};

/* What was done with each, all banks of a sample side by side. */
struct bl_verdicts {
    int32_t *verdict, *taken_out;
    double *weight, *observation, *residual, *delay_s, *speed_rpm, *load, *stuck_s, *load_travel;
    uint8_t *outlier;
};

/* Take many samples; returns how many were taken: all, or 0 when they have too few banks. */
int64_t bl_learner_learn_many(struct bl_learner *learner, const struct bl_columns *samples,
                              const struct bl_verdicts *verdicts);

/* The next of many samples, as a sample. */
void bl_fill_sample(struct bl_sample *sample, const struct bl_columns *from, int64_t at,
                    int32_t banks);

/* What alarms.py keeps beside the episodes while nothing raises one. */
struct bl_alarms {
    struct bl_lean lean;
    double coolant_max_c, frames_lost_pct;
    double quiet_s[6], gone_s[BL_MAX_BANKS], warming_s[BL_MAX_BANKS];
    double running_s, span_s, time_s;
    int64_t came[2], lost[2], last_us;
    int32_t was_ready[BL_MAX_BANKS];
};

/* Take samples from `from` on for as long as none of them shows a cause of an alarm; returns the
 * first that does, with nothing of it taken, or their count. */
int64_t bl_alarms_take_calm(struct bl_alarms *alarms, const struct bl_columns *samples,
                            int64_t from);

#endif
