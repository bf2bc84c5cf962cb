/* breathmap bulk: the time of samples, and many bytes at once for hosts that read recordings.
 *
 * The reader of breathmap_link.h, and what follows a frame when it is a sample: its continuous time
 * and the losses before it. Samples become rows; whatever else the caller wants to see ends a
 * call. */
#ifndef BREATHMAP_BULK_H
#define BREATHMAP_BULK_H

#include <stddef.h>

#include "breathmap_link.h"

#if defined _WIN32
#define BM_EXPORT __declspec(dllexport)
#else
#define BM_EXPORT
#endif

/* How often each thing happened; named as in events.py. */
struct bm_counters {
    int64_t bytes, frames, bad_checksum, overlong, malformed, lost, restarted, repeated;
    int64_t unknown_type, newer_version;
};

/* Continuous time of samples, and what was lost before each: samples.py. */
struct bm_timeline {
    int64_t time_us;     /* of the latest sample, never less than the one before */
    int64_t lost_before; /* frames lost between it and the one before */
    int64_t clock_us, last_us, offset_us, lost; /* last_us: -1 before the first */
    int32_t has_restarted;
};

void bm_timeline_init(struct bm_timeline *timeline);
/* Note what a reader just said, whatever it was; after a sample, its time stands in `timeline`. */
void bm_timeline_take(struct bm_timeline *timeline, const struct bm_reader *reader,
                      enum bm_event event);

/* The latest frame that was told, and how often in a row. fits: whoever was told says of a type that
 * breathmap_link does not know whether its length is right. */
struct bm_latest_frame {
    uint8_t payload[BM_MAX_PAYLOAD_BYTES];
    uint8_t bytes, type, fits;
    uint16_t times;
};

struct bm_bulk {
    struct bm_counters counters;
    struct bm_timeline timeline;
    int32_t event;       /* enum bm_event that ended the latest call, BM_NOTHING: bytes are over */
    uint8_t wanted[256]; /* 1 for frame types that end a call, known to breathmap_link or not */
    struct bm_latest_frame latest[2]; /* of a type that breathmap_link knows, and of another */
    struct bm_reader reader;
};

/* Samples of one payload length, side by side. */
struct bm_rows {
    int64_t *time_us, *lost_before;
    uint8_t *payloads;
    int64_t room, count;
    int32_t payload_bytes; /* of each; any while count is 0 */
};

BM_EXPORT size_t bm_bulk_size(void);
BM_EXPORT void bm_bulk_init(struct bm_bulk *bulk);

/* Read bytes until something must be told; returns how many were taken. `event` then says what:
 * BM_NOTHING when the bytes are over; BM_FRAME of type sample when the rows are full or of another
 * length (it is in none: empty them, then bm_bulk_add); a frame whose type is to be told, unless it
 * has said the same twice before (a device introduces itself again and again); BM_NEWER_VERSION. */
BM_EXPORT size_t bm_bulk_read(struct bm_bulk *bulk, const uint8_t *bytes, size_t count,
                              struct bm_rows *rows);

/* After BM_UNKNOWN_TYPE, for a type that the caller knows: whether length and counts are right. */
BM_EXPORT void bm_bulk_known(struct bm_bulk *bulk, bool fits);

/* Add the sample that ended the latest call to rows that are empty. */
BM_EXPORT void bm_bulk_add(const struct bm_bulk *bulk, struct bm_rows *rows);

#endif
