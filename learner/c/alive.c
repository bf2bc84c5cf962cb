/* What a stuck sensor taught before it was recognised is taken out again: learner/exact/alive.py.
 * For hosts: it takes a second evidence for each bank, and none in single precision. */
#include <string.h>

#include "breathmap_learner.h"

static void copy_arrays(struct bl_evidence *evidence, struct bl_aside *aside, bool back)
{
    size_t cells = (size_t)evidence->speed_count * (size_t)evidence->load_count;
    size_t terms = (size_t)evidence->n_terms;
    bl_real *const own[] = {
        evidence->cells,  evidence->border,   evidence->corner, evidence->term_rhs,
        evidence->term_x, evidence->term_dot, evidence->sums,   evidence->block_score,
    };
    bl_real *const kept[] = {
        aside->cells,  aside->border,   aside->corner, aside->term_rhs,
        aside->term_x, aside->term_dot, aside->sums,   aside->block_score,
    };
    const size_t counts[] = {
        cells * BL_PER_CELL, cells * terms, terms * (terms + 1) / 2, terms,
        terms,               terms,         BL_SUMS,                 BL_BLOCK_CELLS,
    };
    for (size_t k = 0; k < sizeof counts / sizeof *counts; k++) {
        if (counts[k] == 0) continue;
        memcpy(back ? own[k] : kept[k], back ? kept[k] : own[k], counts[k] * sizeof(bl_real));
    }
    size_t bytes = BL_BLOCK_CELLS * sizeof(uint16_t);
    memcpy(back ? evidence->block_index : aside->block_index,
           back ? aside->block_index : evidence->block_index, bytes);
}

static void take(struct bl_bank_learner *bank)
{
    struct bl_aside *aside = bank->aside;
    aside->is_kept = true;
    aside->used = bank->used_count;
    aside->spike_s = bank->spike_s;
    copy_arrays(&bank->evidence, aside, false);
    aside->noise = bank->evidence.noise;
    aside->outlier_share = bank->evidence.outlier_share;
    aside->block_used = bank->evidence.block_used;
}

static int64_t put_back(struct bl_bank_learner *bank)
{
    struct bl_aside *aside = bank->aside;
    aside->is_kept = false;
    int64_t taken_out = bank->used_count - aside->used;
    if (taken_out) {
        copy_arrays(&bank->evidence, aside, true);
        bank->evidence.noise = aside->noise;
        bank->evidence.outlier_share = aside->outlier_share;
        bank->evidence.block_used = aside->block_used;
        bank->spike_s = aside->spike_s;
        bank->used_count -= taken_out;
        bank->refused[bl_primary_reason(BL_SENSOR_FAULTY)] += taken_out;
    }
    return taken_out;
}

bool bl_careful_is_stuck(struct bl_learner *learner, struct bl_bank_learner *bank, double measured,
                         double dt_s)
{
    bool repeats = measured == bank->measured;
    bool is_stuck = bl_is_stuck(learner, bank, measured, dt_s);
    struct bl_aside *aside = bank->aside;
    if (!repeats) {
        aside->is_kept = false;
    } else if (is_stuck && aside->is_kept) {
        aside->taken_out += put_back(bank);
    } else if (!is_stuck && !aside->is_kept) {
        take(bank);
    }
    return is_stuck;
}
