/* breathmap link: frames to bytes and bytes to frames, for small devices.
 *
 * C99, no allocation, no recursion, no floating point, nothing global that changes. Values are the
 * raw integers of breathmap_frames.h. Not for interrupt routines: one encoder or reader belongs to
 * one thread of execution.
 */
#ifndef BREATHMAP_LINK_H
#define BREATHMAP_LINK_H

#include <stdbool.h>
#include <stdint.h>

#include "breathmap_frames.h"

#define BM_TEXT_BYTES 16u

/* One structure per run of fields, members as listed in breathmap_frames.h: struct bm_identity,
 * struct bm_identity_speed_points (one breakpoint), struct bm_sample, struct bm_sample_bank (one
 * bank), struct bm_status ... */
#define BM_MEMBER_u8(name) uint8_t name;
#define BM_MEMBER_u16(name) uint16_t name;
#define BM_MEMBER_i16(name) int16_t name;
#define BM_MEMBER_u32(name) uint32_t name;
#define BM_MEMBER_text16(name) char name[BM_TEXT_BYTES];
#define BM_MEMBER(wire, name) BM_MEMBER_##wire(name)
#define BM_STRUCT(NAME, name) struct bm_##name { BM_##NAME##_FIELDS(BM_MEMBER) };
BM_RECORDS(BM_STRUCT)

/* ---- sending ----
 *
 *     struct bm_encoder e;
 *     bm_encoder_init(&e, buffer, 0xFFFF);
 *     bm_begin(&e, 0, sizeof buffer, BM_TYPE_SAMPLE, sequence++, time_us);
 *     bm_put_sample(&e, &sample);
 *     for (i = 0; i < sample.banks; i++) bm_put_sample_bank(&e, &bank[i]);
 *     length = bm_end(&e);
 *
 * The frame is stuffed as it comes, straight into the send buffer, so no frame is held twice. The
 * buffer may be a ring: its size is then a power of two, and `mask` that size less one. Bytes after
 * `room` are counted and not written: bm_end returns 0 and whatever was in the ring still is. */
struct bm_encoder {
    uint8_t *buffer;
    uint16_t mask;
    uint16_t start;   /* where the frame begins in the buffer */
    uint16_t room;    /* bytes that may be written from there */
    uint16_t length;  /* bytes so far, code bytes included */
    uint16_t code_at; /* the open block's code byte, counted from start */
    uint32_t crc;
};

/* mask: size of a ring - 1, or 0xFFFF for a plain buffer. */
void bm_encoder_init(struct bm_encoder *e, uint8_t *buffer, uint16_t mask);

void bm_begin(struct bm_encoder *e, uint16_t start, uint16_t room, uint8_t type, uint16_t sequence,
              uint32_t time_us);

void bm_put_u8(struct bm_encoder *e, uint8_t value);
void bm_put_u16(struct bm_encoder *e, uint16_t value);
void bm_put_i16(struct bm_encoder *e, int16_t value);
void bm_put_u32(struct bm_encoder *e, uint32_t value);
void bm_put_text16(struct bm_encoder *e, const char text[BM_TEXT_BYTES]);

/* Close the frame. Returns its length on the wire, delimiter included, or 0 when there was no room
 * for it or it is longer than any frame may be. */
uint16_t bm_end(struct bm_encoder *e);

/* void bm_put_NAME(struct bm_encoder *, const struct bm_NAME *) for every structure. */
#define BM_DECLARE_PUT(NAME, name) \
    void bm_put_##name(struct bm_encoder *e, const struct bm_##name *from);
BM_RECORDS(BM_DECLARE_PUT)

/* Fill a text field: cut between UTF-8 characters, padded with zeros. */
void bm_text(char to[BM_TEXT_BYTES], const char *text);

/* Hold a raw value within its field's range: bm_clip(raw, BM_..._LOW, BM_..._HIGH). */
int32_t bm_clip(int32_t raw, int32_t low, int32_t high);

/* ---- receiving ----
 *
 *     switch (bm_read(&reader, byte)) {
 *     case BM_FRAME: if (reader.type == BM_TYPE_SAMPLE) bm_get_sample(&sample, reader.payload); ...
 *
 * `gap` is set together with a result: what the sequence number says of the time before it. */
enum bm_event {
    BM_NOTHING = 0,
    BM_FRAME,         /* good and known: version, type, sequence, time_us, payload, payload_bytes */
    BM_BAD_CHECKSUM,
    BM_OVERLONG,
    BM_BAD_STUFFING,  /* malformed: the stuffing does not work out */
    BM_TOO_SHORT,     /* malformed: below header and CRC */
    BM_BAD_VERSION,   /* malformed: version 0 */
    BM_BAD_LENGTH,    /* malformed: length or counts do not match the type */
    BM_REPEATED,      /* `sequence` once more; the frame is to be dropped */
    BM_UNKNOWN_TYPE,  /* `type` is not known here */
    BM_NEWER_VERSION, /* `version` is a later one */
    BM_LOST_FRAMES,   /* only in `gap`: `lost` frames are missing */
    BM_RESTARTED      /* only in `gap`: the sender began anew */
};

struct bm_reader {
    uint8_t run[BM_MAX_RUN_BYTES];
    uint8_t held;
    bool skipping; /* inside an overlong run */
    bool started;  /* a good frame has been seen */
    enum bm_event gap;
    uint16_t lost;
    uint8_t version, type;
    uint16_t sequence;
    uint32_t time_us;
    uint8_t payload_bytes;
    const uint8_t *payload; /* inside `run`: good until the next byte is read */
};

void bm_reader_init(struct bm_reader *r);

/* Take one byte; returns what it completed, BM_NOTHING for most. */
enum bm_event bm_read(struct bm_reader *r, uint8_t byte);

/* const uint8_t *bm_get_NAME(struct bm_NAME *to, const uint8_t *from) for every structure; returns
 * where the next begins. Only for payloads of a BM_FRAME of that type: their length is checked. */
#define BM_DECLARE_GET(NAME, name) \
    const uint8_t *bm_get_##name(struct bm_##name *to, const uint8_t *from);
BM_RECORDS(BM_DECLARE_GET)

/* The CRC of the protocol over some bytes. */
uint32_t bm_crc32(const uint8_t *bytes, uint16_t count);

/* The same over what follows bytes whose CRC is known; 0 for none. */
uint32_t bm_crc32_on(uint32_t before, const uint8_t *bytes, uint16_t count);

#endif
