/* breathmap link: see breathmap_link.h. The rules are those of SPEC.md, sections 2, 3 and 6. */
#include "breathmap_link.h"

#include <stddef.h>

/* ---- CRC-32, four bits at a time: sixteen entries are a good bargain of size and speed ---- */

#ifdef __AVR__
#include <avr/pgmspace.h>
#define IN_FLASH PROGMEM
#define TABLE_ENTRY(at) pgm_read_dword(&crc_table[at])
#else
#define IN_FLASH
#define TABLE_ENTRY(at) crc_table[at]
#endif

#define CRC_START 0xFFFFFFFFul

static const uint32_t crc_table[16] IN_FLASH = {
    0x00000000ul, 0x1DB71064ul, 0x3B6E20C8ul, 0x26D930ACul, 0x76DC4190ul, 0x6B6B51F4ul,
    0x4DB26158ul, 0x5005713Cul, 0xEDB88320ul, 0xF00F9344ul, 0xD6D6A3E8ul, 0xCB61B38Cul,
    0x9B64C2B0ul, 0x86D3D2D4ul, 0xA00AE278ul, 0xBDBDF21Cul,
};

static uint32_t crc_step(uint32_t crc, uint8_t byte)
{
    crc ^= byte;
    crc = TABLE_ENTRY(crc & 15u) ^ (crc >> 4);
    return TABLE_ENTRY(crc & 15u) ^ (crc >> 4);
}

uint32_t bm_crc32_on(uint32_t before, const uint8_t *bytes, uint16_t count)
{
    uint32_t crc = ~before;
    while (count--) crc = crc_step(crc, *bytes++);
    return ~crc;
}

uint32_t bm_crc32(const uint8_t *bytes, uint16_t count)
{
    return bm_crc32_on(0, bytes, count);
}

/* ---- sending ---- */

void bm_encoder_init(struct bm_encoder *e, uint8_t *buffer, uint16_t mask)
{
    e->buffer = buffer;
    e->mask = mask;
}

static void write_at(struct bm_encoder *e, uint16_t at, uint8_t byte)
{
    if (at < e->room) e->buffer[(uint16_t)(e->start + at) & e->mask] = byte;
}

/* A frame is below 254 bytes, so the long-block rule of the stuffing never applies; bm_end sees to
 * it that a longer one is not sent. */
static void stuff(struct bm_encoder *e, uint8_t byte)
{
    if (byte) {
        write_at(e, e->length, byte);
    } else {
        write_at(e, e->code_at, (uint8_t)(e->length - e->code_at));
        e->code_at = e->length;
    }
    e->length++;
}

void bm_begin(struct bm_encoder *e, uint16_t start, uint16_t room, uint8_t type, uint16_t sequence,
              uint32_t time_us)
{
    e->start = start;
    e->room = room;
    e->code_at = 0;
    e->length = 1;
    e->crc = CRC_START;
    bm_put_u8(e, BM_PROTOCOL_VERSION);
    bm_put_u8(e, type);
    bm_put_u16(e, sequence);
    bm_put_u32(e, time_us);
}

void bm_put_u8(struct bm_encoder *e, uint8_t value)
{
    e->crc = crc_step(e->crc, value);
    stuff(e, value);
}

void bm_put_u16(struct bm_encoder *e, uint16_t value)
{
    bm_put_u8(e, (uint8_t)value);
    bm_put_u8(e, (uint8_t)(value >> 8));
}

void bm_put_i16(struct bm_encoder *e, int16_t value)
{
    bm_put_u16(e, (uint16_t)value);
}

void bm_put_u32(struct bm_encoder *e, uint32_t value)
{
    bm_put_u16(e, (uint16_t)value);
    bm_put_u16(e, (uint16_t)(value >> 16));
}

void bm_put_text16(struct bm_encoder *e, const char text[BM_TEXT_BYTES])
{
    for (uint8_t i = 0; i < BM_TEXT_BYTES; i++) bm_put_u8(e, (uint8_t)text[i]);
}

uint16_t bm_end(struct bm_encoder *e)
{
    bm_put_u32(e, ~e->crc);
    /* The zero that the stuffing thinks of at the end is the delimiter. */
    uint16_t frame_bytes = (uint16_t)(e->length - 1u);
    stuff(e, 0);
    write_at(e, e->code_at, 0);
    bool fits = frame_bytes <= BM_MAX_FRAME_BYTES && e->length <= e->room;
    return fits ? e->length : 0;
}

#define PUT(wire, name) bm_put_##wire(e, from->name);
#define DEFINE_PUT(NAME, name)                                             \
    void bm_put_##name(struct bm_encoder *e, const struct bm_##name *from) \
    {                                                                      \
        BM_##NAME##_FIELDS(PUT)                                            \
    }
BM_RECORDS(DEFINE_PUT)

void bm_text(char to[BM_TEXT_BYTES], const char *text)
{
    uint8_t count = 0;
    while (count < BM_TEXT_BYTES && text[count]) count++;
    /* Step back while the first byte left out continues a character. */
    while (count > 0 && ((uint8_t)text[count] & 0xC0u) == 0x80u) count--;
    for (uint8_t i = 0; i < BM_TEXT_BYTES; i++) to[i] = i < count ? text[i] : '\0';
}

int32_t bm_clip(int32_t raw, int32_t low, int32_t high)
{
    if (raw < low) return low;
    return raw > high ? high : raw;
}

/* ---- receiving ---- */

#define RESTART_GAP 32768u
#define UNKNOWN 0xFFFFu

void bm_reader_init(struct bm_reader *r)
{
    r->held = 0;
    r->skipping = false;
    r->started = false;
    r->gap = BM_NOTHING;
    r->lost = 0;
    r->payload_bytes = 0;
    r->payload = r->run;
}

static uint16_t u16_at(const uint8_t *bytes)
{
    return (uint16_t)(bytes[0] | (uint16_t)bytes[1] << 8);
}

static uint32_t u32_at(const uint8_t *bytes)
{
    return u16_at(bytes) | (uint32_t)u16_at(bytes + 2) << 16;
}

/* Undo the stuffing in place: what is read is never behind what is written. Returns the frame's
 * length, or -1. */
static int16_t unstuff(uint8_t *run, uint8_t held)
{
    uint8_t from = 0, to = 0;
    while (from < held) {
        uint16_t end = (uint16_t)(from + run[from]);
        if (end > held) return -1;
        for (from++; from < end; from++) run[to++] = run[from];
        if (from < held) run[to++] = 0;
    }
    return to;
}

#define DEFINE_BYTES(NAME, name) \
    case BM_TYPE_##NAME: return BM_##NAME##_BYTES;

static uint16_t fixed_bytes(uint8_t type)
{
    switch (type) {
        BM_FRAMES(DEFINE_BYTES)
    default: return UNKNOWN;
    }
}

static bool add_entries(uint16_t *bytes, uint8_t count, uint8_t least, uint8_t most, uint8_t size)
{
    *bytes = (uint16_t)(*bytes + (uint16_t)count * size);
    return least <= count && count <= most;
}

/* True when the counts are in range and give exactly this length. */
static bool payload_fits(uint8_t type, const uint8_t *payload, uint16_t bytes)
{
    uint16_t wanted = fixed_bytes(type);
    if (bytes < wanted) return false;
#define CHECK_COUNT(of, offset, least, most, size)                                      \
    if (type == (of) && !add_entries(&wanted, payload[offset], least, most, size)) {    \
        return false;                                                                   \
    }
    BM_COUNTS(CHECK_COUNT)
    return bytes == wanted;
}

/* What the sequence number says; false when the frame is a repetition. */
static bool follows(struct bm_reader *r, uint8_t type, uint16_t sequence, uint32_t time_us)
{
    bool first_identity = type == BM_TYPE_IDENTITY && sequence == 0;
    if (r->started && sequence == r->sequence && !(first_identity && time_us != r->time_us)) {
        return false;
    }
    uint16_t gap = (uint16_t)(sequence - r->sequence - 1u);
    if (r->started && gap > 0) {
        bool restarted = gap >= RESTART_GAP || first_identity;
        r->gap = restarted ? BM_RESTARTED : BM_LOST_FRAMES;
        r->lost = restarted ? 0 : gap;
    }
    r->started = true;
    r->sequence = sequence;
    r->time_us = time_us;
    return true;
}

static enum bm_event read_run(struct bm_reader *r)
{
    uint8_t *frame = r->run;
    int16_t length = unstuff(frame, r->held);
    if (length < 0) return BM_BAD_STUFFING;
    if (length < (int16_t)(BM_HEADER_BYTES + BM_CRC_BYTES)) return BM_TOO_SHORT;
    uint16_t body = (uint16_t)((uint16_t)length - BM_CRC_BYTES);
    if (bm_crc32(frame, body) != u32_at(frame + body)) return BM_BAD_CHECKSUM;
    if (frame[0] == 0) return BM_BAD_VERSION;
    if (!follows(r, frame[1], u16_at(frame + 2), u32_at(frame + 4))) return BM_REPEATED;
    r->version = frame[0];
    r->type = frame[1];
    r->payload = frame + BM_HEADER_BYTES;
    r->payload_bytes = (uint8_t)(body - BM_HEADER_BYTES);
    if (r->version > BM_PROTOCOL_VERSION) return BM_NEWER_VERSION;
    if (fixed_bytes(r->type) == UNKNOWN) return BM_UNKNOWN_TYPE;
    return payload_fits(r->type, r->payload, r->payload_bytes) ? BM_FRAME : BM_BAD_LENGTH;
}

enum bm_event bm_read(struct bm_reader *r, uint8_t byte)
{
    r->gap = BM_NOTHING;
    r->lost = 0;
    if (byte == 0) {
        enum bm_event event = r->held ? read_run(r) : BM_NOTHING;
        r->held = 0;
        r->skipping = false;
        return event;
    }
    if (r->skipping) return BM_NOTHING;
    if (r->held == BM_MAX_RUN_BYTES) {
        r->skipping = true;
        r->held = 0;
        return BM_OVERLONG;
    }
    r->run[r->held++] = byte;
    return BM_NOTHING;
}

static uint8_t take_u8(const uint8_t **from)
{
    return *(*from)++;
}

static uint16_t take_u16(const uint8_t **from)
{
    uint16_t value = u16_at(*from);
    *from += 2;
    return value;
}

static int16_t take_i16(const uint8_t **from)
{
    uint16_t raw = take_u16(from);
    /* Written so that no conversion depends on the compiler. */
    return raw < 0x8000u ? (int16_t)raw : (int16_t)((int32_t)raw - 65536);
}

static uint32_t take_u32(const uint8_t **from)
{
    uint32_t value = u32_at(*from);
    *from += 4;
    return value;
}

#define GET_u8(name) to->name = take_u8(&from);
#define GET_u16(name) to->name = take_u16(&from);
#define GET_i16(name) to->name = take_i16(&from);
#define GET_u32(name) to->name = take_u32(&from);
#define GET_text16(name) \
    for (uint8_t i = 0; i < BM_TEXT_BYTES; i++) to->name[i] = (char)take_u8(&from);
#define GET(wire, name) GET_##wire(name)
#define DEFINE_GET(NAME, name)                                                \
    const uint8_t *bm_get_##name(struct bm_##name *to, const uint8_t *from)   \
    {                                                                         \
        BM_##NAME##_FIELDS(GET)                                               \
        return from;                                                          \
    }
BM_RECORDS(DEFINE_GET)
