/* The few functions that a host calls: see host.h. */
#include "host.h"

#include <float.h>

#if FLT_EVAL_METHOD != 0
#error "this machine reckons with more digits than it stores: the Python core runs in its place"
#endif

#ifndef BREATHMAP_SOURCES
#define BREATHMAP_SOURCES 0
#endif

uint32_t bl_host_sources(void)
{
    return (uint32_t)BREATHMAP_SOURCES;
}

uint32_t bl_host_bytes(int32_t which)
{
    static const size_t bytes[] = {
        sizeof(struct bl_table),    sizeof(struct bl_evidence),     sizeof(struct bl_delay_model),
        sizeof(struct bl_history),  sizeof(struct bl_seen),         sizeof(struct bl_limits),
        sizeof(struct bl_settings), sizeof(struct bl_loop_watch),   sizeof(struct bl_gates),
        sizeof(struct bl_aside),    sizeof(struct bl_bank_learner), sizeof(struct bl_learner),
        sizeof(struct bl_columns),  sizeof(struct bl_verdicts),
        sizeof(struct bl_lean),     sizeof(struct bl_alarms),
    };
    if (which < 0 || (size_t)which >= sizeof bytes / sizeof *bytes) return 0;
    return (uint32_t)bytes[which];
}

int64_t bl_host_learn_many(struct bl_learner *learner, const struct bl_columns *samples,
                           const struct bl_verdicts *verdicts)
{
    return bl_learner_learn_many(learner, samples, verdicts);
}

int64_t bl_host_take_calm(struct bl_alarms *alarms, const struct bl_columns *samples, int64_t from)
{
    return bl_alarms_take_calm(alarms, samples, from);
}

/* Loaded by path and never imported; some linkers want the name. */
BL_EXPORT void *PyInit__compiled(void);

void *PyInit__compiled(void)
{
    return NULL;
}
