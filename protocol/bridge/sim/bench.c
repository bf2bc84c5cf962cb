/* Cycles of the encoder and the reader on an AVR, counted by run_elf between two writes to GPIOR2.
 * Prints one line per measurement: what, cycles, bytes on the wire. */
#include <avr/io.h>

#include "../breathmap_link.h"

static uint8_t wire[BM_MAX_WIRE_BYTES];
static struct bm_encoder encoder;
static struct bm_reader reader;

static void print(const char *text)
{
    while (*text) GPIOR1 = (uint8_t)*text++;
}

static void print_number(uint16_t number)
{
    char digits[6] = "     ";
    uint8_t at = 5;
    do {
        digits[--at] = (char)('0' + number % 10u);
        number = (uint16_t)(number / 10u);
    } while (number);
    print(&digits[at]);
}

static uint16_t encode_sample(uint8_t banks)
{
    struct bm_sample sample = {
        .speed_rpm = 6501, .map_kpa = 6240, .throttle_pct = 1825, .coolant_c = 843,
        .intake_c = 315, .battery_v = 13820, .pulse_width_ms = 4215, .target_lambda = 8800,
        .banks = banks,
    };
    struct bm_sample_bank bank = {8712, 10000, BM_SENSOR_READY};
    bm_begin(&encoder, 0, sizeof wire, BM_TYPE_SAMPLE, 700, 152000000ul);
    bm_put_sample(&encoder, &sample);
    for (uint8_t i = 0; i < banks; i++) bm_put_sample_bank(&encoder, &bank);
    return bm_end(&encoder);
}

static uint16_t encode_identity(uint8_t speeds, uint8_t loads)
{
    struct bm_identity identity = {.banks = 2, .sample_rate_hz = 500, .load_axis = 1,
                                   .speed_count = speeds, .load_count = loads};
    bm_text(identity.device_name, "bench bridge");
    bm_text(identity.firmware, "avr-1");
    bm_begin(&encoder, 0, sizeof wire, BM_TYPE_IDENTITY, 0, 152000000ul);
    bm_put_identity(&encoder, &identity);
    for (uint8_t i = 0; i < speeds; i++) {
        struct bm_identity_speed_points point = {(uint16_t)(2000 + 600 * i)};
        bm_put_identity_speed_points(&encoder, &point);
    }
    for (uint8_t i = 0; i < loads; i++) {
        struct bm_identity_load_points point = {(uint16_t)(2000 + 700 * i)};
        bm_put_identity_load_points(&encoder, &point);
    }
    return bm_end(&encoder);
}

static uint16_t encode_status(void)
{
    struct bm_status status = {.uptime_s = 152, .frames_sent = 7600, .bank = BM_NO_BANK};
    bm_begin(&encoder, 0, sizeof wire, BM_TYPE_STATUS, 701, 152000000ul);
    bm_put_status(&encoder, &status);
    return bm_end(&encoder);
}

/* The count must not hold the printing; run_elf prints the cycles where GPIOR2 becomes 0. */
#define MEASURE(what, call)                    \
    do {                                       \
        print(what ",");                       \
        GPIOR2 = 1;                            \
        uint16_t made = (call);                \
        GPIOR2 = 0;                            \
        if (made == 0) GPIOR0 = 2;             \
        print_number(made);                    \
        print("\n");                           \
    } while (0)

static uint16_t read_wire(uint16_t length)
{
    enum bm_event event = BM_NOTHING;
    for (uint16_t i = 0; i < length; i++) event = bm_read(&reader, wire[i]);
    return event == BM_FRAME ? length : 0;
}

int main(void)
{
    uint16_t length;
    bm_encoder_init(&encoder, wire, 0xFFFF);
    bm_reader_init(&reader);
    MEASURE("encode identity, no axes", encode_identity(0, 0));
    MEASURE("encode identity, axes 16 and 12", encode_identity(16, 12));
    MEASURE("encode sample, 1 bank", encode_sample(1));
    MEASURE("encode sample, 2 banks", encode_sample(2));
    MEASURE("encode sample, 8 banks", encode_sample(8));
    MEASURE("encode status", encode_status());
    length = encode_sample(2);
    MEASURE("read sample, 2 banks", read_wire(length));
    GPIOR0 = 1;
    for (;;) { }
}
