/* The kit's self-test: every vector of vectors.json, both ways, on whatever machine this runs on.
 *
 * A frame vector is read from its wire bytes, taken apart into structures, and put together again
 * from them: the same bytes must come out. A stream vector must give the expected events.
 */
#include "../breathmap_link.h"
#include "console.h"

#ifdef __AVR__
#include <avr/pgmspace.h>
#define VECTORS_IN_FLASH PROGMEM
#define VECTOR_BYTE(at) pgm_read_byte(&vectors[at])
#else
#define VECTORS_IN_FLASH
#define VECTOR_BYTE(at) vectors[at]
#endif

/* Made by `python -m breathmap.tools.make.bridge --vectors vectors.h`. */
#include "vectors.h"

static struct bm_reader reader;
static struct bm_encoder encoder;
static uint8_t made[BM_MAX_WIRE_BYTES];
static uint16_t cursor;

static uint32_t next(uint8_t bytes)
{
    uint32_t value = 0;
    for (uint8_t i = 0; i < bytes; i++) value |= (uint32_t)VECTOR_BYTE(cursor++) << (8 * i);
    return value;
}

static bool same_as_vector(const uint8_t *bytes, uint16_t count)
{
    bool same = true;
    while (count--) same &= *bytes++ == next(1);
    return same;
}

/* Take a payload apart and put it into the encoder again, structure by structure. */
#define COPY_GROUP(frame, group, count)                       \
    for (uint8_t i = 0; i < fixed.count; i++) {               \
        struct bm_##frame##_##group entry;                    \
        from = bm_get_##frame##_##group(&entry, from);        \
        bm_put_##frame##_##group(&encoder, &entry);           \
    }
#define COPY_FRAME(NAME, name)                                \
    if (type == BM_TYPE_##NAME) {                             \
        struct bm_##name fixed;                               \
        from = bm_get_##name(&fixed, from);                   \
        bm_put_##name(&encoder, &fixed);                      \
        BM_##NAME##_GROUPS(COPY_GROUP)                        \
    }

static void copy_payload(uint8_t type, const uint8_t *from)
{
    BM_FRAMES(COPY_FRAME)
}

static bool frame_vector(void)
{
    uint8_t type = (uint8_t)next(1);
    uint16_t sequence = (uint16_t)next(2);
    uint32_t time_us = next(4);
    uint8_t payload_bytes = (uint8_t)next(1);
    uint16_t payload_at = cursor;
    cursor = (uint16_t)(cursor + payload_bytes);
    uint8_t wire_bytes = (uint8_t)next(1);
    uint16_t wire_at = cursor;

    bm_reader_init(&reader);
    enum bm_event event = BM_NOTHING;
    for (uint8_t i = 0; i < wire_bytes; i++) {
        if (event != BM_NOTHING) return false;
        event = bm_read(&reader, (uint8_t)next(1));
    }
    uint16_t end = cursor;
    bool good = event == BM_FRAME && reader.gap == BM_NOTHING && reader.type == type &&
                reader.sequence == sequence && reader.time_us == time_us &&
                reader.payload_bytes == payload_bytes;
    cursor = payload_at;
    good = good && same_as_vector(reader.payload, payload_bytes);

    bm_begin(&encoder, 0, sizeof made, type, sequence, time_us);
    copy_payload(type, reader.payload);
    good = good && bm_end(&encoder) == wire_bytes;
    cursor = wire_at;
    good = good && same_as_vector(made, wire_bytes);
    cursor = end;
    return good;
}

/* Compare one found event with the next expected one; moves `cursor` over the latter. */
static bool expected(enum bm_event event)
{
    if (next(1) != (uint32_t)event) return false;
    switch (event) {
    case BM_FRAME:
        return next(1) == reader.type && next(1) == reader.version && next(2) == reader.sequence &&
               next(4) == reader.time_us && next(1) == reader.payload_bytes &&
               same_as_vector(reader.payload, reader.payload_bytes);
    case BM_LOST_FRAMES: return next(2) == reader.lost;
    case BM_REPEATED: return next(2) == reader.sequence;
    case BM_UNKNOWN_TYPE: return next(1) == reader.type;
    case BM_NEWER_VERSION: return next(1) == reader.version;
    default: return true;
    }
}

static bool stream_vector(void)
{
    uint16_t left = (uint16_t)next(2);
    uint16_t data_at = cursor;
    cursor = (uint16_t)(cursor + left);
    uint8_t events = (uint8_t)next(1);
    bm_reader_init(&reader);
    for (; left > 0; left--) {
        enum bm_event event = bm_read(&reader, VECTOR_BYTE(data_at));
        data_at++;
        if (reader.gap != BM_NOTHING && (events-- == 0 || !expected(reader.gap))) return false;
        if (event != BM_NOTHING && (events-- == 0 || !expected(event))) return false;
    }
    return events == 0 && next(1) == reader.held;
}

static void print_number(uint16_t number)
{
    char text[6];
    uint8_t at = sizeof text - 1;
    text[at] = '\0';
    do {
        text[--at] = (char)('0' + number % 10u);
        number = (uint16_t)(number / 10u);
    } while (number);
    console_text(&text[at]);
}

int main(void)
{
    uint16_t frames = 0, streams = 0;
    bool good = true;
    bm_encoder_init(&encoder, made, 0xFFFF);
    while (good) {
        uint8_t kind = (uint8_t)next(1);
        if (kind == 0) break;
        good = kind == 'F' ? frame_vector() : stream_vector();
        if (kind == 'F') frames++;
        else streams++;
    }
    print_number(frames);
    console_text(" frame vectors, ");
    print_number(streams);
    console_text(good ? " stream vectors: passed\n" : " stream vectors: the last one FAILED\n");
    console_exit(good ? 0 : 1);
    return good ? 0 : 1;
}
