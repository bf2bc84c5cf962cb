/* What a learning board answers a host: the requests of the wire specification, section 4, so that
 * `breathmap board fetch`, `status` and `clear` work with it. The MicroPython application does the
 * same (tools/board/app.py).
 *
 * The host's bytes come in through talk_byte, frames leave through a function that the board
 * supplies. talk_step sends at most one, so that learning goes on in between: call it in every round
 * of the loop. Snapshots are sent from the slot that holds them; nothing is held twice. */
#ifndef BREATHMAP_TALK_H
#define BREATHMAP_TALK_H

#include "app.h"

/* The longest request that is read; it takes 23 bytes today, and others are skipped. */
#define TALK_RUN_BYTES 32

struct talk {
    struct app *app;
    bl_send send;
    void *to;
    double rate_hz;
    size_t at; /* in the slot: what of it is sent already */
    uint32_t sent, received, bad_received, identity_s, first_part, cleared;
    /* Samples of earlier starts and of what was cleared, which this start's counters do not have. */
    uint32_t seen_before[BL_MAX_BANKS], used_before[BL_MAX_BANKS];
    uint16_t sequence, answered;
    uint8_t run[TALK_RUN_BYTES];
    uint8_t held, sending, bank, statuses, row_bank, row, outcome;
    uint8_t clearing; /* what became of the latest clear */
    bool owes_identity, owes_row, owes_answer;
};

/* Begin, after app_init. rate_hz: of the samples. send: takes a whole frame; false when it has no
 * room, and it is asked again later. */
void talk_init(struct talk *talk, struct app *app, double rate_hz, bl_send send, void *to);

/* Take one byte from the host. */
void talk_byte(struct talk *talk, uint8_t byte);

/* Send a frame that is due, if any. uptime_s: since the start. */
void talk_step(struct talk *talk, uint32_t uptime_s);

#endif
