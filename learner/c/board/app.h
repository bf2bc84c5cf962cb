/* A board that learns on its own: a bridge's bytes in, evidence in two slots. An example; talk.h
 * answers a host, and the MicroPython application (tools/board) does more.
 *
 * The latest whole snapshot is taken up at the start. A save goes into the other slot, so a power
 * cut at any byte leaves one of them whole. */
#ifndef BREATHMAP_APP_H
#define BREATHMAP_APP_H

#include "breathmap_bulk.h"
#include "breathmap_learner.h"

struct app {
    struct bm_reader reader;
    struct bm_timeline timeline;
    struct bl_learner *learner;
    const struct bl_names *names;
    uint32_t origin, snapshot; /* of the latest save; snapshot 0: none */
    int32_t slot;              /* that holds it */
    int64_t samples, saved_us;
    bool is_held; /* no save but app_save's: the slot is being sent */
};

/* Begin with what the slots hold, or anew with this origin (any number that is new and not 0). */
void app_init(struct app *app, struct bl_learner *learner, const struct bl_names *names,
              uint32_t origin);

/* Take one byte from the bridge; true when it completed a sample, which is learned then. */
bool app_byte(struct app *app, uint8_t byte);

/* Save now; every minute of samples it is done by itself. False when the slot could not be
 * written: the other one still holds what it held. */
bool app_save(struct app *app);

#endif
