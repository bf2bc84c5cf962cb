/* Sums kept in single precision that neither stall nor drift: learner/core/single_precision.py. */
#include <math.h>
#include <string.h>

#include "breathmap_learner.h"

size_t bl_held_count(int32_t n_terms)
{
    int32_t corner = n_terms * (n_terms + 1) / 2;
    return (size_t)(BL_IN_CELLS + 4 * n_terms + BL_BLOCK_SQUARE + corner + n_terms);
}

/* Distance from a normal single-precision number to the next one away from zero. */
static double spacing(double value)
{
    float single = (float)value;
    uint32_t bits;
    memcpy(&bits, &single, sizeof bits);
    return ldexp(1.0, (int)(bits >> 23 & 0xFFu) - 150);
}

/* The number of the evidence that the k-th sum lies in. */
static bl_real *target_of(struct bl_evidence *evidence, size_t k)
{
    size_t n_terms = (size_t)evidence->n_terms;
    size_t place = evidence->held->place[k];
    if (k < BL_IN_CELLS) return evidence->cells + place;
    k -= BL_IN_CELLS;
    if (k < 4 * n_terms) return evidence->border + place;
    k -= 4 * n_terms;
    if (k < BL_BLOCK_SQUARE) return evidence->sums + place;
    k -= BL_BLOCK_SQUARE;
    if (k < n_terms * (n_terms + 1) / 2) return evidence->corner + place;
    return evidence->term_rhs + place;
}

static void add_terms(struct bl_evidence *evidence, const double v[4], double d, double weight,
                      const double *terms)
{
    double *added = evidence->held->added;
    int32_t n_terms = evidence->n_terms;
    int32_t border = BL_IN_CELLS;
    int32_t corner = BL_IN_CELLS + 4 * n_terms + BL_BLOCK_SQUARE;
    int32_t rhs = corner + n_terms * (n_terms + 1) / 2;
    for (int32_t k = 0; k < n_terms; k++) {
        double pull = weight * terms[k];
        for (int32_t j = 0; j < 4; j++) added[border + j] += pull * v[j];
        border += 4;
        added[rhs + k] += pull * d;
        for (int32_t m = k; m < n_terms; m++) added[corner++] += pull * terms[m];
    }
}

static void write_through(struct bl_evidence *evidence)
{
    const struct bl_held *held = evidence->held;
    size_t count = bl_held_count(evidence->n_terms);
    for (size_t k = 0; k < count; k++) {
        *target_of(evidence, k) = (bl_real)((double)held->base[k] + held->added[k]);
    }
}

void bl_held_add(struct bl_evidence *evidence, const double v[4], double d, double weight,
                 double share, const double *terms)
{
    double *added = evidence->held->added;
    double w0 = weight * v[0], w1 = weight * v[1], w2 = weight * v[2], w3 = weight * v[3];
    added[0] += w0 * v[0];
    added[1] += w0 * v[1];
    added[2] += w0 * v[2];
    added[3] += w0 * v[3];
    added[4] += w1 * v[1];
    added[5] += w1 * v[2];
    added[6] += w1 * v[3];
    added[7] += w2 * v[2];
    added[8] += w2 * v[3];
    added[9] += w3 * v[3];
    added[10] += w0 * d;
    added[11] += w1 * d;
    added[12] += w2 * d;
    added[13] += w3 * d;
    added[14] += w0 * share;
    added[15] += w1 * share;
    added[16] += w2 * share;
    added[17] += w3 * share;
    if (evidence->n_terms) add_terms(evidence, v, d, weight, terms);
    double *sums = added + BL_IN_CELLS + 4 * evidence->n_terms;
    sums[BL_COUNT] += 1.0;
    sums[BL_WEIGHT] += weight;
    sums[BL_SQUARE] += weight * d * d;
    write_through(evidence);
}

static void round_one(struct bl_held *held, bl_real *target, double base, double added)
{
    /* What rounding lost is known exactly (Dekker 1971): one step more is taken with the
     * probability lost / step. */
    double stored = (double)*target;
    double lost = added - (stored - base);
    if (lost == 0.0 || stored == 0.0) return;
    double step = spacing(stored);
    uint32_t number = held->random;
    number ^= number << 7 & 0xFFFFu;
    number ^= number >> 9;
    number ^= number << 8 & 0xFFFFu;
    held->random = number;
    double chance = step * (double)number / 65536.0;
    if (chance < lost) {
        *target = (bl_real)(stored + step);
    } else if (chance < -lost) {
        *target = (bl_real)(stored - step);
    }
}

void bl_held_leave(struct bl_evidence *evidence)
{
    struct bl_held *held = evidence->held;
    if (held->index < 0) return;
    held->index = -1;
    size_t count = bl_held_count(evidence->n_terms);
    for (size_t k = 0; k < count; k++) {
        round_one(held, target_of(evidence, k), (double)held->base[k], held->added[k]);
    }
}

/* As Evidence.enter_square and HeldSums.enter, in one. */
void bl_held_enter(struct bl_evidence *evidence, int32_t index)
{
    struct bl_held *held = evidence->held;
    bl_held_leave(evidence);
    int32_t a = index * BL_PER_CELL, b = a + BL_PER_CELL;
    int32_t c = a + evidence->speed_count * BL_PER_CELL, e = c + BL_PER_CELL;
    const int32_t places[BL_IN_CELLS] = {
        a, a + BL_EAST, a + BL_NORTH, a + BL_NORTH_EAST, b, b + BL_NORTH_WEST, b + BL_NORTH,
        c, c + BL_EAST, e, a + BL_RHS, b + BL_RHS, c + BL_RHS, e + BL_RHS,
        a + BL_COVERAGE, b + BL_COVERAGE, c + BL_COVERAGE, e + BL_COVERAGE,
    };
    for (int32_t k = 0; k < BL_IN_CELLS; k++) held->place[k] = (uint16_t)places[k];
    int32_t n_terms = evidence->n_terms, north = index + evidence->speed_count;
    uint16_t *place = held->place + BL_IN_CELLS;
    for (int32_t k = 0; k < n_terms; k++) {
        *place++ = (uint16_t)(index * n_terms + k);
        *place++ = (uint16_t)((index + 1) * n_terms + k);
        *place++ = (uint16_t)(north * n_terms + k);
        *place++ = (uint16_t)((north + 1) * n_terms + k);
    }
    size_t count = bl_held_count(n_terms);
    for (size_t k = 0; k < count; k++) {
        held->base[k] = *target_of(evidence, k);
        held->added[k] = 0.0;
    }
    held->index = index;
}
