/* What a host's shared object shows beside the learner: which sources it was made of, and how its
 * structures are laid out, so that nobody binds to another. */
#ifndef BREATHMAP_HOST_H
#define BREATHMAP_HOST_H

#include "breathmap_learner.h"

#if defined _WIN32
#define BL_EXPORT __declspec(dllexport)
#else
#define BL_EXPORT
#endif

/* CRC-32 of the sources, as breathmap.learner.fast.compiled reckons it. */
BL_EXPORT uint32_t bl_host_sources(void);

/* Bytes of the structures named in host.c, in its order; 0 beyond the last. */
BL_EXPORT uint32_t bl_host_bytes(int32_t which);

BL_EXPORT int64_t bl_host_learn_many(struct bl_learner *learner, const struct bl_columns *samples,
                                     const struct bl_verdicts *verdicts);
BL_EXPORT int64_t bl_host_take_calm(struct bl_alarms *alarms, const struct bl_columns *samples,
                                    int64_t from);

#endif
