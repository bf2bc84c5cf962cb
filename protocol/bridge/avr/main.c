/* A bridge on an ATmega328P at 16 MHz: sensors in, breathmap frames out, 50 times a second.
 *
 * Overload: a frame that does not fit into the send ring, or whose time has passed before it could be
 * made, is dropped whole and counted; its sequence number is spent, so a reader sees the gap. Samples
 * leave room for identity and status, which lasting overload would lock out otherwise. Brown-out: the fuses below hold the chip in reset below
 * 4.3 V, and the watchdog resets it when the main loop hangs for a quarter of a second; either way
 * it begins anew with identity, sequence 0. It keeps nothing, so nothing can be half written.
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdbool.h>

#include "../breathmap_link.h"
#include "analog.h"
#include "calibrate.h"
#include "serial.h"
#include "timer.h"

/* Crystal of 16 MHz, brown-out reset at 4.3 V. */
FUSES = {
    .low = 0xFF,
    .high = HFUSE_DEFAULT,
    .extended = FUSE_BODLEVEL1 & FUSE_BODLEVEL0,
};

#define SAMPLE_US (1000000ul / SAMPLE_HZ)
#define IDENTITY_US 5000000ul
#define STATUS_US 1000000ul

/* An identity without axes and a status without refusals, stuffed, with their delimiters. */
#define WIRE_BYTES(payload) (1u + BM_HEADER_BYTES + (payload) + BM_CRC_BYTES + 1u)
#define KEPT_FREE (WIRE_BYTES(BM_IDENTITY_BYTES) + WIRE_BYTES(BM_STATUS_BYTES))

static const int16_t coolant_table[33] PROGMEM = COOLANT_TABLE;
static const int16_t intake_table[33] PROGMEM = INTAKE_TABLE;

static struct bm_encoder encoder;
static uint16_t sequence;
static uint32_t frames_sent, frames_dropped;
static uint32_t uptime_s;
static uint16_t parts[CHANNELS];

static void begin_frame(uint8_t type, uint32_t time_us)
{
    uint8_t room = serial_room();
    if (type == BM_TYPE_SAMPLE) room = room > KEPT_FREE ? (uint8_t)(room - KEPT_FREE) : 0;
    bm_begin(&encoder, serial_end(), room, type, sequence++, time_us);
}

static void count_dropped(void)
{
    if (frames_dropped < UINT32_MAX) frames_dropped++;
}

static void end_frame(void)
{
    uint16_t length = bm_end(&encoder);
    if (length) {
        serial_commit((uint8_t)length);
        if (frames_sent < UINT32_MAX) frames_sent++;
    } else {
        count_dropped();
    }
}

static void send_identity(uint32_t now_us)
{
    struct bm_identity identity = {
        .banks = BANKS,
        .sample_rate_hz = SAMPLE_HZ * BM_IDENTITY_SAMPLE_RATE_HZ_PER_UNIT,
        /* It does not know the engine controller's table: no breakpoints follow. */
        .load_axis = BM_LOAD_AXIS_UNKNOWN,
    };
    bm_text(identity.device_name, DEVICE_NAME);
    bm_text(identity.firmware, FIRMWARE_VERSION);
    begin_frame(BM_TYPE_IDENTITY, now_us);
    bm_put_identity(&encoder, &identity);
    end_frame();
}

static void send_status(uint32_t now_us)
{
    struct bm_status status = {
        .uptime_s = uptime_s,
        .frames_sent = frames_sent,
        .frames_dropped = frames_dropped,
        .bank = BM_NO_BANK, /* no learner, and nothing is listened to */
    };
    begin_frame(BM_TYPE_STATUS, now_us);
    bm_put_status(&encoder, &status);
    end_frame();
}

static uint16_t measured(bool valid, int32_t raw, uint16_t low, uint16_t high)
{
    return valid ? (uint16_t)bm_clip(raw, low, high) : BM_NULL_U16;
}

static int16_t temperature(uint16_t at, const int16_t *table)
{
    if (!VALID(at, THERMISTOR_VALID_MV)) return BM_NULL_I16;
    const int16_t *entry = &table[at >> 11];
    int16_t lower = (int16_t)pgm_read_word(entry), upper = (int16_t)pgm_read_word(entry + 1);
    return between(lower, upper, at);
}

static struct bm_sample_bank read_bank(int32_t at, int32_t raw)
{
    struct bm_sample_bank bank = {
        .measured_lambda = BM_NULL_U16,
        .fuel_multiplier = BM_SAMPLE_BANK_FUEL_MULTIPLIER_PER_UNIT, /* open loop */
        .sensor_state = BM_SENSOR_READY,
    };
    if (at < PARTS(LAMBDA_FAULT_BELOW_MV)) {
        bank.sensor_state = BM_SENSOR_FAULT;
    } else if (uptime_s < SENSOR_WARM_UP_S) {
        bank.sensor_state = BM_SENSOR_WARMING;
    } else if (at <= PARTS(LAMBDA_FULL_ABOVE_MV)) {
        bank.measured_lambda =
            measured(true, raw, BM_SAMPLE_BANK_MEASURED_LAMBDA_LOW, BM_SAMPLE_BANK_MEASURED_LAMBDA_HIGH);
    }
    return bank;
}

static void send_sample(uint32_t now_us)
{
    analog_take(parts);
    struct bm_sample sample = {
        .speed_rpm = timer_speed(),
        .map_kpa = measured(VALID(parts[MAP_CHANNEL], MAP_VALID_MV),
                            LINEAR(parts[MAP_CHANNEL], MAP_POINTS), BM_SAMPLE_MAP_KPA_LOW,
                            BM_SAMPLE_MAP_KPA_HIGH),
        .throttle_pct = measured(VALID(parts[THROTTLE_CHANNEL], THROTTLE_VALID_MV),
                                 LINEAR(parts[THROTTLE_CHANNEL], THROTTLE_POINTS),
                                 BM_SAMPLE_THROTTLE_PCT_LOW, BM_SAMPLE_THROTTLE_PCT_HIGH),
        .coolant_c = temperature(parts[COOLANT_CHANNEL], coolant_table),
        .intake_c = temperature(parts[INTAKE_CHANNEL], intake_table),
        .battery_v = measured(VALID(parts[BATTERY_CHANNEL], BATTERY_VALID_MV),
                              LINEAR(parts[BATTERY_CHANNEL], BATTERY_POINTS),
                              BM_SAMPLE_BATTERY_V_LOW, BM_SAMPLE_BATTERY_V_HIGH),
        .pulse_width_ms = BM_NULL_U16,
        .target_lambda = TARGET_LAMBDA,
        .banks = BANKS,
    };
    int32_t ground = GROUND_CORRECTION ? parts[GROUND_CHANNEL] : 0;
    int32_t at = parts[LAMBDA_1_CHANNEL] - ground;
    struct bm_sample_bank first = read_bank(at, LINEAR(at, LAMBDA_1_POINTS));
    /* The values are averages over the time since the last sample: they belong to its middle. */
    begin_frame(BM_TYPE_SAMPLE, now_us - SAMPLE_US / 2);
    bm_put_sample(&encoder, &sample);
    bm_put_sample_bank(&encoder, &first);
    if (BANKS > 1) {
        at = parts[LAMBDA_2_CHANNEL] - ground;
        struct bm_sample_bank second = read_bank(at, LINEAR(at, LAMBDA_2_POINTS));
        bm_put_sample_bank(&encoder, &second);
    }
    end_frame();
}

/* True once per period; steps by whole periods, so that the rate does not drift. */
static bool due(uint32_t *next_us, uint32_t now_us, uint32_t period_us)
{
    if ((int32_t)(now_us - *next_us) < 0) return false;
    *next_us += period_us;
    return true;
}

/* Samples whose time went by unused are not made up afterwards. */
static void skip_missed(uint32_t *next_us, uint32_t now_us)
{
    while ((int32_t)(now_us - *next_us) >= (int32_t)SAMPLE_US) {
        *next_us += SAMPLE_US;
        sequence++;
        count_dropped();
    }
}

int main(void)
{
    uint32_t next_sample_us, next_identity_us, next_status_us;
    MCUSR = 0; /* or the watchdog cannot be set after it has bitten */
    wdt_enable(WDTO_250MS);
    bm_encoder_init(&encoder, serial_ring, SERIAL_MASK);
    serial_start();
    timer_start();
    analog_start();
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();

    /* A delimiter first ends whatever noise the line has picked up. */
    serial_ring[serial_end()] = 0;
    serial_commit(1);
    next_identity_us = timer_us();
    next_sample_us = next_identity_us + SAMPLE_US;
    next_status_us = next_identity_us + STATUS_US;
    for (;;) {
        wdt_reset();
        uint32_t now_us = timer_us();
        if (due(&next_identity_us, now_us, IDENTITY_US)) send_identity(now_us);
        skip_missed(&next_sample_us, now_us);
        if (due(&next_sample_us, now_us, SAMPLE_US)) send_sample(now_us);
        if (due(&next_status_us, now_us, STATUS_US)) {
            uptime_s++;
            send_status(now_us);
        }
        /* Until the next interrupt: the converter's comes every 104 microseconds. */
        sleep_mode();
    }
}
