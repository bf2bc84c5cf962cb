/* Many samples in one call, for hosts. */
#include "breathmap_learner.h"

void bl_fill_sample(struct bl_sample *sample, const struct bl_columns *from, int64_t k,
                    int32_t banks)
{
    sample->time_us = from->time_us[k];
    sample->lost_before = from->lost_before[k];
    sample->flags = from->flags[k];
    sample->speed_rpm = from->speed_rpm[k];
    sample->map_kpa = from->map_kpa[k];
    sample->throttle_pct = from->throttle_pct[k];
    sample->coolant_c = from->coolant_c[k];
    sample->intake_c = from->intake_c[k];
    sample->battery_v = from->battery_v[k];
    sample->target_lambda = from->target_lambda[k];
    int64_t at = k * from->banks;
    for (int32_t bank = 0; bank < banks; bank++, at++) {
        sample->measured_lambda[bank] = from->measured_lambda[at];
        sample->fuel_multiplier[bank] = from->fuel_multiplier[at];
        sample->sensor_state[bank] = from->sensor_state[at];
    }
}

static void note(const struct bl_verdicts *verdicts, int64_t at, const struct bl_bank_learner *bank)
{
    verdicts->verdict[at] = bank->verdict;
    verdicts->taken_out[at] = bank->aside != NULL ? (int32_t)bank->aside->taken_out : 0;
    verdicts->weight[at] = bank->weight;
    verdicts->observation[at] = bank->observation;
    verdicts->residual[at] = bank->evidence.residual;
    verdicts->delay_s[at] = bank->delay_s;
    verdicts->speed_rpm[at] = bank->seen.speed_rpm;
    verdicts->load[at] = bank->seen.load;
    verdicts->stuck_s[at] = bank->stuck_s;
    verdicts->load_travel[at] = bank->seen.load_travel;
    verdicts->outlier[at] = (uint8_t)bank->evidence.outlier;
}

int64_t bl_learner_learn_many(struct bl_learner *learner, const struct bl_columns *samples,
                              const struct bl_verdicts *verdicts)
{
    int32_t banks = learner->bank_count;
    if (samples->banks < banks) return 0;
    struct bl_sample sample = {.banks = banks};
    for (int64_t k = 0; k < samples->count; k++) {
        bl_fill_sample(&sample, samples, k, banks);
        bl_learner_learn_one(learner, &sample);
        for (int32_t bank = 0; bank < banks; bank++) {
            note(verdicts, k * banks + bank, &learner->banks[bank]);
        }
    }
    return samples->count;
}
