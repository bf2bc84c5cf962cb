/* The C kit as a shared library for the tests: whole runs of frames in one call each. */
#include <string.h>

#include "breathmap_link.h"

/* encode_NAME(frames, sequence, time_us, fixed, groups, wire): returns the bytes written, 0 when a
 * frame did not fit. decode_NAME: the same the other way; returns the frames read in one piece and
 * in order, and stops at anything else. `groups` are cursors into arrays of entries; they move. */
#define PUT_GROUP(frame, group, count)                                          \
    for (uint8_t i = 0; i < fixed->count; i++) {                                \
        struct bm_##frame##_##group entry;                                      \
        memcpy(&entry, groups[g], sizeof entry);                                \
        groups[g] += sizeof entry;                                              \
        bm_put_##frame##_##group(&e, &entry);                                   \
    }                                                                           \
    g++;
#define GET_GROUP(frame, group, count)                                          \
    for (uint8_t i = 0; i < fixed->count; i++) {                                \
        struct bm_##frame##_##group entry;                                      \
        memset(&entry, 0, sizeof entry);                                        \
        from = bm_get_##frame##_##group(&entry, from);                          \
        memcpy(groups[g], &entry, sizeof entry);                                \
        groups[g] += sizeof entry;                                              \
    }                                                                           \
    g++;
#define BATCH(NAME, name)                                                       \
    long encode_##name(long frames, uint16_t sequence, const uint32_t *time_us, \
                       const struct bm_##name *fixed, uint8_t **groups,         \
                       uint8_t *wire)                                           \
    {                                                                           \
        uint8_t *start = wire;                                                  \
        for (; frames > 0; frames--, fixed++) {                                 \
            struct bm_encoder e;                                                \
            int g = 0;                                                          \
            bm_encoder_init(&e, wire, 0xFFFF);                                  \
            bm_begin(&e, 0, BM_MAX_WIRE_BYTES, BM_TYPE_##NAME, sequence++,      \
                     *time_us++);                                               \
            bm_put_##name(&e, fixed);                                           \
            BM_##NAME##_GROUPS(PUT_GROUP)                                       \
            (void)g;                                                            \
            uint16_t length = bm_end(&e);                                       \
            if (length == 0) return 0;                                          \
            wire += length;                                                     \
        }                                                                       \
        return wire - start;                                                    \
    }                                                                           \
    long decode_##name(const uint8_t *wire, long bytes, uint16_t sequence,      \
                       const uint32_t *time_us, struct bm_##name *fixed,        \
                       uint8_t **groups)                                        \
    {                                                                           \
        struct bm_reader r;                                                     \
        long frames = 0;                                                        \
        bm_reader_init(&r);                                                     \
        for (; bytes > 0; bytes--) {                                            \
            enum bm_event event = bm_read(&r, *wire++);                         \
            if (event == BM_NOTHING) continue;                                  \
            if (event != BM_FRAME || r.gap != BM_NOTHING) break;                \
            if (r.type != BM_TYPE_##NAME || r.version != BM_PROTOCOL_VERSION || \
                r.sequence != sequence++ || r.time_us != *time_us++)            \
                break;                                                          \
            int g = 0;                                                          \
            const uint8_t *from = bm_get_##name(fixed, r.payload);              \
            BM_##NAME##_GROUPS(GET_GROUP)                                       \
            (void)g;                                                            \
            if (from != r.payload + r.payload_bytes) break;                     \
            fixed++;                                                            \
            frames++;                                                           \
        }                                                                       \
        return frames;                                                          \
    }
BM_FRAMES(BATCH)

/* One found event, for comparison with another reader. */
struct found {
    uint32_t kind, lost, type, version, sequence, time_us, payload_bytes;
    uint8_t payload[BM_MAX_PAYLOAD_BYTES];
};

long reader_bytes(void) { return (long)sizeof(struct bm_reader); }

void start_reader(struct bm_reader *r) { bm_reader_init(r); }

int held_bytes(const struct bm_reader *r) { return r->held; }

/* Returns the number of events, at most two a byte. */
long read_events(struct bm_reader *r, const uint8_t *data, long bytes, struct found *found)
{
    long count = 0;
    for (; bytes > 0; bytes--) {
        enum bm_event event = bm_read(r, *data++);
        for (int part = 0; part < 2; part++) {
            enum bm_event kind = part ? event : r->gap;
            if (kind == BM_NOTHING) continue;
            struct found *one = &found[count++];
            one->kind = (uint32_t)kind;
            one->lost = r->lost;
            one->type = r->type;
            one->version = r->version;
            one->sequence = r->sequence;
            one->time_us = r->time_us;
            one->payload_bytes = r->payload_bytes;
            if (kind == BM_FRAME) memcpy(one->payload, r->payload, r->payload_bytes);
        }
    }
    return count;
}

/* A sample of `banks` banks into a ring of 256 bytes; returns bm_end's answer. */
int sample_into_ring(uint8_t *ring, uint16_t start, uint16_t room, uint8_t banks)
{
    struct bm_encoder e;
    struct bm_sample sample;
    struct bm_sample_bank bank;
    memset(&sample, 0x55, sizeof sample);
    memset(&bank, 0, sizeof bank);
    sample.banks = banks;
    bm_encoder_init(&e, ring, 255);
    bm_begin(&e, start, room, BM_TYPE_SAMPLE, 7, 1000);
    bm_put_sample(&e, &sample);
    for (uint8_t i = 0; i < banks; i++) bm_put_sample_bank(&e, &bank);
    return bm_end(&e);
}
