/* What a fuzzer feeds: the first byte picks how the rest reaches the reader.
 *
 * Even: as the bytes that arrive. Odd: as frame contents, wrapped in a good CRC and good stuffing,
 * because chance does not find a CRC. Whatever the reader calls a frame must come out the same when
 * it is taken apart and put together again.
 */
#include <stdlib.h>
#include <string.h>

#include "breathmap_link.h"

static struct bm_encoder again;

#define COPY_GROUP(frame, group, count)                       \
    for (uint8_t i = 0; i < fixed.count; i++) {               \
        struct bm_##frame##_##group entry;                    \
        from = bm_get_##frame##_##group(&entry, from);        \
        bm_put_##frame##_##group(&again, &entry);             \
    }
#define COPY_FRAME(NAME, name)                                \
    if (r->type == BM_TYPE_##NAME) {                          \
        struct bm_##name fixed;                               \
        from = bm_get_##name(&fixed, from);                   \
        bm_put_##name(&again, &fixed);                        \
        BM_##NAME##_GROUPS(COPY_GROUP)                        \
    }

static void check(struct bm_reader *r)
{
    uint8_t wire[BM_MAX_WIRE_BYTES];
    const uint8_t *from = r->payload;
    bm_encoder_init(&again, wire, 0xFFFF);
    bm_begin(&again, 0, sizeof wire, r->type, r->sequence, r->time_us);
    BM_FRAMES(COPY_FRAME)
    if (from != r->payload + r->payload_bytes) abort();
    uint16_t length = bm_end(&again);
    if (length == 0) abort();
    struct bm_reader second;
    bm_reader_init(&second);
    for (uint16_t i = 0; i < length; i++) {
        enum bm_event event = bm_read(&second, wire[i]);
        if (event != (i + 1 == length ? BM_FRAME : BM_NOTHING)) abort();
    }
    if (second.payload_bytes != r->payload_bytes ||
        memcmp(second.payload, r->payload, r->payload_bytes) != 0)
        abort();
}

static void read_all(struct bm_reader *r, const uint8_t *data, size_t bytes)
{
    for (size_t i = 0; i < bytes; i++) {
        if (bm_read(r, data[i]) == BM_FRAME) check(r);
        if (r->held > BM_MAX_RUN_BYTES) abort();
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t bytes);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t bytes)
{
    /* On the heap, so that the address sanitizer guards its ends. */
    struct bm_reader *r = malloc(sizeof *r);
    if (r == NULL || bytes == 0) {
        free(r);
        return 0;
    }
    uint8_t how = *data++;
    bytes--;
    bm_reader_init(r);
    if (how % 2 == 0) {
        read_all(r, data, bytes);
    } else {
        /* Frames of `how / 2` bytes of payload, one after another. */
        while (bytes >= 7) {
            uint8_t wire[BM_MAX_WIRE_BYTES];
            size_t payload = how / 2u;
            struct bm_encoder e;
            bm_encoder_init(&e, wire, 0xFFFF);
            bm_begin(&e, 0, sizeof wire, data[0], (uint16_t)(data[1] | data[2] << 8),
                     (uint32_t)(data[3] | data[4] << 8 | data[5] << 16));
            data += 6;
            bytes -= 6;
            if (payload > bytes) payload = bytes;
            for (size_t i = 0; i < payload; i++) bm_put_u8(&e, data[i]);
            data += payload;
            bytes -= payload;
            uint16_t length = bm_end(&e);
            if (length == 0) abort();
            read_all(r, wire, length);
        }
    }
    free(r);
    return 0;
}
