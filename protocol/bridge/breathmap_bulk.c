/* breathmap bulk: see breathmap_bulk.h. */
#include "breathmap_bulk.h"

#include <string.h>

size_t bm_bulk_size(void)
{
    return sizeof(struct bm_bulk);
}

void bm_bulk_init(struct bm_bulk *bulk)
{
    memset(bulk, 0, sizeof *bulk);
    bm_timeline_init(&bulk->timeline);
    bm_reader_init(&bulk->reader);
}

void bm_timeline_init(struct bm_timeline *timeline)
{
    memset(timeline, 0, sizeof *timeline);
    timeline->last_us = -1;
}

/* Device time made continuous; a step back of less than half the range is a restart. */
static int64_t unwrap(struct bm_timeline *timeline, uint32_t device_us)
{
    if (timeline->last_us < 0) {
        timeline->clock_us = device_us;
    } else {
        uint32_t step = device_us - (uint32_t)timeline->last_us;
        if (step < 0x80000000u) timeline->clock_us += step;
    }
    timeline->last_us = device_us;
    return timeline->clock_us;
}

static void stamp(struct bm_timeline *timeline, uint32_t device_us)
{
    if (timeline->has_restarted) {
        /* The new clock may stand above the old one's last value. */
        timeline->has_restarted = 0;
        timeline->clock_us = 0;
        timeline->last_us = -1;
        timeline->offset_us = timeline->time_us - (int64_t)device_us;
    }
    timeline->time_us = timeline->offset_us + unwrap(timeline, device_us);
    timeline->lost_before = timeline->lost;
    timeline->lost = 0;
}

void bm_timeline_take(struct bm_timeline *timeline, const struct bm_reader *reader,
                      enum bm_event event)
{
    if (reader->gap == BM_LOST_FRAMES) {
        timeline->lost += reader->lost;
    } else if (reader->gap == BM_RESTARTED) {
        timeline->lost++;
        timeline->has_restarted = 1;
    }
    if (event == BM_BAD_LENGTH) timeline->lost++;
    if (event == BM_FRAME && reader->type == BM_TYPE_SAMPLE) stamp(timeline, reader->time_us);
}

static void count_event(struct bm_bulk *bulk, enum bm_event event)
{
    struct bm_counters *counters = &bulk->counters;
    if (bulk->reader.gap == BM_LOST_FRAMES) counters->lost += bulk->reader.lost;
    if (bulk->reader.gap == BM_RESTARTED) counters->restarted++;
    switch (event) {
    case BM_FRAME: counters->frames++; break;
    case BM_BAD_CHECKSUM: counters->bad_checksum++; break;
    case BM_OVERLONG: counters->overlong++; break;
    case BM_BAD_STUFFING:
    case BM_TOO_SHORT:
    case BM_BAD_VERSION:
    case BM_BAD_LENGTH: counters->malformed++; break;
    case BM_REPEATED: counters->repeated++; break;
    case BM_UNKNOWN_TYPE: counters->unknown_type++; break;
    case BM_NEWER_VERSION: counters->newer_version++; break;
    default: break;
    }
}

void bm_bulk_add(const struct bm_bulk *bulk, struct bm_rows *rows)
{
    rows->payload_bytes = bulk->reader.payload_bytes;
    size_t bytes = bulk->reader.payload_bytes;
    rows->time_us[rows->count] = bulk->timeline.time_us;
    rows->lost_before[rows->count] = bulk->timeline.lost_before;
    memcpy(rows->payloads + (size_t)rows->count * bytes, bulk->reader.payload, bytes);
    rows->count++;
}

/* A frame of a type that only the caller knows. */
static void count_known(struct bm_bulk *bulk, bool fits)
{
    bulk->counters.unknown_type--;
    if (fits) {
        bulk->counters.frames++;
    } else {
        bulk->counters.malformed++;
        bulk->timeline.lost++;
    }
}

/* True when a frame of a type to be told says something new, or the same for the second time. */
static bool is_news(struct bm_bulk *bulk, enum bm_event event)
{
    const struct bm_reader *reader = &bulk->reader;
    if (!bulk->wanted[reader->type]) return false;
    struct bm_latest_frame *latest = &bulk->latest[event == BM_UNKNOWN_TYPE];
    bool is_same = latest->times > 0 && latest->type == reader->type
        && latest->bytes == reader->payload_bytes
        && memcmp(latest->payload, reader->payload, reader->payload_bytes) == 0;
    if (is_same && latest->times >= 2) {
        if (event == BM_UNKNOWN_TYPE) count_known(bulk, latest->fits);
        return false;
    }
    latest->times = is_same ? 2 : 1;
    latest->type = reader->type;
    latest->bytes = reader->payload_bytes;
    memcpy(latest->payload, reader->payload, reader->payload_bytes);
    return true;
}

/* True when an event ends the call. */
static bool ends_call(struct bm_bulk *bulk, enum bm_event event, struct bm_rows *rows)
{
    const struct bm_reader *reader = &bulk->reader;
    if (event == BM_NEWER_VERSION) return true;
    if (event != BM_FRAME && event != BM_UNKNOWN_TYPE) return false;
    if (event == BM_UNKNOWN_TYPE || reader->type != BM_TYPE_SAMPLE) return is_news(bulk, event);
    bool is_other = rows->count > 0 && rows->payload_bytes != reader->payload_bytes;
    if (is_other || rows->count == rows->room) return true;
    bm_bulk_add(bulk, rows);
    return false;
}

size_t bm_bulk_read(struct bm_bulk *bulk, const uint8_t *bytes, size_t count, struct bm_rows *rows)
{
    bulk->event = BM_NOTHING;
    for (size_t at = 0; at < count; at++) {
        enum bm_event event = bm_read(&bulk->reader, bytes[at]);
        if (event == BM_NOTHING) continue;
        count_event(bulk, event);
        bm_timeline_take(&bulk->timeline, &bulk->reader, event);
        if (ends_call(bulk, event, rows)) {
            bulk->event = event;
            bulk->counters.bytes += (int64_t)(at + 1);
            return at + 1;
        }
    }
    bulk->counters.bytes += (int64_t)count;
    return count;
}

void bm_bulk_known(struct bm_bulk *bulk, bool fits)
{
    bulk->latest[1].fits = fits;
    count_known(bulk, fits);
}
