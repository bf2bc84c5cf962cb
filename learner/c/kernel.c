/* The evidence of one bank: learner/core/kernel.py. */
#include <math.h>

#include "breathmap_learner.h"

#define HUBER_LIMIT 2.0
#define HUBER_MEAN_SQUARE 0.92054
#define OUTLIER_LIMIT 5.0
#define OUTLIER_LEAST 0.03
#define OUTLIERS_RARE 0.3
#define OUTLIER_STEP 0.02
#define NOISE_MEMORY 2000.0
#define NOISE_GUESS 50.0

/* The root that Python's ** 0.5 takes: pow, which a compiler must not make a sqrt of. */
static double root(double value)
{
    const volatile double half = 0.5;
    return pow(value, half);
}

double bl_evidence_predict(const struct bl_evidence *evidence, int32_t index, const double v[4])
{
    const bl_real *a = evidence->cells + index * BL_PER_CELL + BL_X;
    const bl_real *c = a + evidence->speed_count * BL_PER_CELL;
    return v[0] * (double)a[0] + v[1] * (double)a[BL_PER_CELL] + v[2] * (double)c[0]
        + v[3] * (double)c[BL_PER_CELL];
}

static double spread_of(const struct bl_evidence *evidence, int32_t index, const double v[4],
                        double ridge)
{
    const bl_real *a = evidence->cells + index * BL_PER_CELL;
    const bl_real *c = a + evidence->speed_count * BL_PER_CELL;
    return 1.0
        + (v[0] * v[0] / ((double)a[0] + ridge) + v[1] * v[1] / ((double)a[BL_PER_CELL] + ridge)
           + v[2] * v[2] / ((double)c[0] + ridge)
           + v[3] * v[3] / ((double)c[BL_PER_CELL] + ridge));
}

static double weigh(struct bl_evidence *evidence, double residual, double spread,
                    double gate_weight)
{
    double weight = gate_weight, noise = evidence->noise;
    double square = residual * residual / spread;
    double limit = HUBER_LIMIT * HUBER_LIMIT * noise * noise;
    evidence->outlier = false;
    if (square > limit) {
        double scale = noise * root(spread);
        weight *= HUBER_LIMIT * scale / fabs(residual);
        square = limit;
        if (fabs(residual) > OUTLIER_LIMIT * scale && fabs(residual) > OUTLIER_LEAST) {
            evidence->outlier = evidence->outlier_share < OUTLIERS_RARE;
            evidence->outlier_share += OUTLIER_STEP * (1.0 - evidence->outlier_share);
            if (evidence->outlier) weight *= OUTLIER_LIMIT * scale / fabs(residual);
        }
    }
    evidence->outlier_share -= OUTLIER_STEP * evidence->outlier_share;

    double memory = 1.0 + (double)evidence->sums[BL_COUNT] + NOISE_GUESS;
    if (memory > NOISE_MEMORY) memory = NOISE_MEMORY;
    double variance = noise * noise;
    variance += gate_weight * (square / HUBER_MEAN_SQUARE - variance) / memory;
    evidence->noise = root(variance);
    return weight;
}

/* target += addend, rounded as an array's element is. */
static void add_to(bl_real *target, double addend)
{
    *target = (bl_real)((double)*target + addend);
}

static void add_terms(struct bl_evidence *evidence, int32_t index, const double v[4], double d,
                      double weight, const double *terms)
{
    int32_t n_terms = evidence->n_terms, north = index + evidence->speed_count;
    bl_real *border = evidence->border, *corner = evidence->corner;
    for (int32_t k = 0; k < n_terms; k++) {
        double pull = weight * terms[k];
        add_to(border + index * n_terms + k, pull * v[0]);
        add_to(border + (index + 1) * n_terms + k, pull * v[1]);
        add_to(border + north * n_terms + k, pull * v[2]);
        add_to(border + (north + 1) * n_terms + k, pull * v[3]);
        add_to(evidence->term_rhs + k, pull * d);
        for (int32_t m = k; m < n_terms; m++) add_to(corner++, pull * terms[m]);
    }
}

static void add(struct bl_evidence *evidence, int32_t index, const double v[4], double d,
                double weight, double share, const double *terms)
{
    bl_real *a = evidence->cells + index * BL_PER_CELL, *b = a + BL_PER_CELL;
    bl_real *c = a + evidence->speed_count * BL_PER_CELL, *e = c + BL_PER_CELL;
    double w0 = weight * v[0], w1 = weight * v[1], w2 = weight * v[2], w3 = weight * v[3];
    add_to(a, w0 * v[0]);
    add_to(a + BL_EAST, w0 * v[1]);
    add_to(a + BL_NORTH, w0 * v[2]);
    add_to(a + BL_NORTH_EAST, w0 * v[3]);
    add_to(b, w1 * v[1]);
    add_to(b + BL_NORTH_WEST, w1 * v[2]);
    add_to(b + BL_NORTH, w1 * v[3]);
    add_to(c, w2 * v[2]);
    add_to(c + BL_EAST, w2 * v[3]);
    add_to(e, w3 * v[3]);
    add_to(a + BL_RHS, w0 * d);
    add_to(b + BL_RHS, w1 * d);
    add_to(c + BL_RHS, w2 * d);
    add_to(e + BL_RHS, w3 * d);
    add_to(a + BL_COVERAGE, w0 * share);
    add_to(b + BL_COVERAGE, w1 * share);
    add_to(c + BL_COVERAGE, w2 * share);
    add_to(e + BL_COVERAGE, w3 * share);
    add_to(evidence->sums + BL_COUNT, 1.0);
    add_to(evidence->sums + BL_WEIGHT, weight);
    add_to(evidence->sums + BL_SQUARE, weight * d * d);
    add_terms(evidence, index, v, d, weight, terms);
}

/* One Gauss-Seidel step of one cell. */
static void relax(struct bl_evidence *evidence, int32_t index, double ridge)
{
    int32_t speed_count = evidence->speed_count, row = speed_count * BL_PER_CELL;
    int32_t column = index % speed_count, line = index / speed_count;
    bool east = column + 1 < speed_count, west = column > 0;
    bl_real *i = evidence->cells + index * BL_PER_CELL;
    const bl_real *right = i + BL_PER_CELL, *left = i - (west ? BL_PER_CELL : 0);
    double rest = (double)i[BL_RHS];
    if (east) rest -= (double)i[BL_EAST] * (double)right[BL_X];
    if (west) rest -= (double)left[BL_EAST] * (double)left[BL_X];
    if (line + 1 < evidence->load_count) {
        const bl_real *j = i + row;
        rest -= (double)i[BL_NORTH] * (double)j[BL_X];
        if (east) rest -= (double)i[BL_NORTH_EAST] * (double)j[BL_PER_CELL + BL_X];
        if (west) rest -= (double)i[BL_NORTH_WEST] * (double)j[BL_X - BL_PER_CELL];
    }
    if (line) {
        const bl_real *j = i - row;
        rest -= (double)j[BL_NORTH] * (double)j[BL_X];
        if (west) {
            const bl_real *q = j - BL_PER_CELL;
            rest -= (double)q[BL_NORTH_EAST] * (double)q[BL_X];
        }
        if (east) {
            const bl_real *q = j + BL_PER_CELL;
            rest -= (double)q[BL_NORTH_WEST] * (double)q[BL_X];
        }
    }
    int32_t n_terms = evidence->n_terms;
    const bl_real *border = evidence->border + index * n_terms;
    for (int32_t k = 0; k < n_terms; k++) rest -= (double)border[k] * (double)evidence->term_x[k];
    double after = rest / ((double)i[BL_SELF] + ridge);
    double step = after - (double)i[BL_X];
    i[BL_X] = (bl_real)after;
    for (int32_t k = 0; k < n_terms; k++) add_to(evidence->term_dot + k, (double)border[k] * step);
}

static void relax_terms(struct bl_evidence *evidence, double ridge)
{
    int32_t n_terms = evidence->n_terms;
    for (int32_t k = 0; k < n_terms; k++) {
        double rest = (double)evidence->term_rhs[k] - (double)evidence->term_dot[k];
        double own = 1.0;
        for (int32_t m = 0; m < n_terms; m++) {
            int32_t low = k < m ? k : m, high = k < m ? m : k;
            double moment =
                (double)evidence->corner[low * n_terms - low * (low - 1) / 2 + high - low];
            if (m == k) {
                own = moment;
            } else {
                rest -= moment * (double)evidence->term_x[m];
            }
        }
        evidence->term_x[k] = (bl_real)(rest / (own + ridge));
    }
}

static void block_add(struct bl_evidence *evidence, int32_t index, double score)
{
    int32_t used = evidence->block_used;
    int32_t k = used - 1;
    while (k >= 0 && evidence->block_index[k] != index) k--;
    if (k < 0) {
        if (used == BL_BLOCK_CELLS) {
            bl_evidence_close_block(evidence);
            used = 0;
        }
        k = used;
        evidence->block_index[k] = (uint16_t)index;
        evidence->block_score[k] = 0;
        evidence->block_used = used + 1;
    }
    add_to(evidence->block_score + k, score);
}

void bl_evidence_learn_one(struct bl_evidence *evidence, int32_t index, const double v[4], double d,
                           double weight, double share, const double *terms)
{
    int32_t n_terms = evidence->n_terms;
    double noise = evidence->noise;
    double ridge = noise * noise / (evidence->table_sd * evidence->table_sd);
    double term_ridge = noise * noise / (evidence->term_sd * evidence->term_sd);
    double inner = bl_evidence_predict(evidence, index, v);
    double residual = d - inner;
    for (int32_t k = 0; k < n_terms; k++) residual -= terms[k] * (double)evidence->term_x[k];
    double spread = spread_of(evidence, index, v, ridge);
    weight = weigh(evidence, residual, spread, weight);
    evidence->square = index;
    evidence->residual = residual;
    evidence->weight = weight;

    for (int32_t k = 0; k < n_terms; k++) add_to(evidence->term_dot + k, weight * terms[k] * inner);
    if (evidence->held == NULL) {
        add(evidence, index, v, d, weight, share, terms);
    } else {
        if (index != evidence->held->index) bl_held_enter(evidence, index);
        bl_held_add(evidence, v, d, weight, share, terms);
    }
    int32_t north = index + evidence->speed_count;
    double score = weight * residual / root(spread);
    block_add(evidence, index, v[0] * score);
    block_add(evidence, index + 1, v[1] * score);
    block_add(evidence, north, v[2] * score);
    block_add(evidence, north + 1, v[3] * score);
    relax(evidence, index, ridge);
    relax(evidence, index + 1, ridge);
    relax(evidence, north, ridge);
    relax(evidence, north + 1, ridge);
    if (n_terms) relax_terms(evidence, term_ridge);
}

static void restart_running(struct bl_evidence *evidence)
{
    int32_t n_terms = evidence->n_terms, n = evidence->speed_count * evidence->load_count;
    for (int32_t k = 0; k < n_terms; k++) {
        double total = 0.0;
        for (int32_t index = 0; index < n; index++) {
            total += (double)evidence->border[index * n_terms + k]
                * (double)evidence->cells[index * BL_PER_CELL + BL_X];
        }
        evidence->term_dot[k] = (bl_real)total;
    }
}

void bl_evidence_close_block(struct bl_evidence *evidence)
{
    add_to(evidence->sums + BL_BLOCK_SQUARE, bl_evidence_open_square(evidence));
    evidence->block_used = 0;
    if (evidence->held != NULL) restart_running(evidence);
}

void bl_evidence_leave_square(struct bl_evidence *evidence)
{
    if (evidence->held != NULL) bl_held_leave(evidence);
}

double bl_evidence_open_square(const struct bl_evidence *evidence)
{
    double square = 0.0;
    for (int32_t k = 0; k < evidence->block_used; k++) {
        square += (double)evidence->block_score[k] * (double)evidence->block_score[k];
    }
    return square;
}
