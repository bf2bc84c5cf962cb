/* The frames of the breathmap wire protocol, version 1: numbers, sizes, scaling, ranges.
 *
 * Generated from the field table by `python -m breathmap.tools.make.bridge`. Do not edit.
 *
 * A measurement travels as an integer, raw = floor(value * PER_UNIT + 0.5), clipped to LOW .. HIGH
 * (which are raw); one that was not made travels as BM_NULL_U16 or BM_NULL_I16. Everything else is
 * a count, a code or bits and travels as it is. SPEC.md says the rest.
 */
#ifndef BREATHMAP_FRAMES_H
#define BREATHMAP_FRAMES_H

#define BM_PROTOCOL_VERSION 1u
#define BM_HEADER_BYTES 8u
#define BM_CRC_BYTES 4u
#define BM_MAX_PAYLOAD_BYTES 238u
#define BM_MAX_FRAME_BYTES 250u                /* before stuffing */
#define BM_MAX_RUN_BYTES 251u                  /* stuffed, without its delimiter */
#define BM_MAX_WIRE_BYTES 252u                 /* stuffed, with it */
#define BM_NULL_U16 0xFFFFu                    /* not measured */
#define BM_NULL_I16 (-32767 - 1)               /* not measured */
#define BM_NO_BANK 255u                        /* in status: a device without a learner */

/* Flags of a sample. */
#define BM_FLAG_FUEL_CUT 0x0001u               /* injection is cut (over-run or limiter) */
#define BM_FLAG_CLOSED_LOOP 0x0002u            /* the closed-loop integrator acts on the fuel */
#define BM_FLAG_ACCELERATION_ENRICHMENT 0x0004u /* acceleration enrichment adds fuel */
#define BM_FLAG_DECELERATION_ENLEANMENT 0x0008u /* deceleration enleanment removes fuel */
#define BM_FLAG_POWER_ENRICHMENT 0x0010u       /* power enrichment changes the target or the fuel */
#define BM_FLAG_WARM_UP_ENRICHMENT 0x0020u     /* after-start or warm-up enrichment adds fuel */
#define BM_FLAG_IDLE_CONTROL 0x0040u           /* idle speed control or idle heat protection acts */
#define BM_FLAG_REV_LIMIT 0x0080u              /* the speed limiter acts */
#define BM_FLAG_LONG_TERM_ADAPTATION 0x0100u   /* long-term adaptation may change the fuel */

/* Sensor states. */
#define BM_SENSOR_ABSENT 0u                    /* no sensor is fitted or its state is not known */
#define BM_SENSOR_WARMING 1u                   /* the sensor is not yet at working temperature */
#define BM_SENSOR_READY 2u                     /* the reading can be used */
#define BM_SENSOR_FAULT 3u                     /* the sensor or its controller reports a fault */

/* What the load axis is. */
#define BM_LOAD_AXIS_UNKNOWN 0u                /* the device does not know its table */
#define BM_LOAD_AXIS_MAP_KPA 1u                /* manifold absolute pressure, kPa */
#define BM_LOAD_AXIS_THROTTLE_PCT 2u           /* throttle opening, % */

/* Positions of the refusal counters. */
#define BM_REASON_ENGINE_NOT_RUNNING 0u
#define BM_REASON_COOLANT_COLD 1u
#define BM_REASON_ENGINE_TOO_HOT 2u
#define BM_REASON_BATTERY_LOW 3u
#define BM_REASON_SENSOR_NOT_READY 4u
#define BM_REASON_SENSOR_FAULT 5u
#define BM_REASON_LAMBDA_OUT_OF_RANGE 6u
#define BM_REASON_FUEL_CUT 7u
#define BM_REASON_FUEL_CUT_RECOVERY 8u
#define BM_REASON_ACCELERATION_ENRICHMENT 9u
#define BM_REASON_OTHER_ENRICHMENT 10u
#define BM_REASON_THROTTLE_MOVING 11u
#define BM_REASON_PRESSURE_MOVING 12u
#define BM_REASON_SPEED_MOVING 13u
#define BM_REASON_OUTSIDE_AXES_NOW 14u
#define BM_REASON_OUTSIDE_AXES_AT_INJECTION 15u
#define BM_REASON_CLOSED_LOOP_WRONG 16u
#define BM_REASON_TARGET_CHANGED 17u
#define BM_REASON_HISTORY_SHORT 18u
#define BM_REASON_FRAMES_LOST 19u
#define BM_REASON_VALUE_MISSING 20u
#define BM_REASON_LOOP_NOT_SETTLED 21u

/* identity: Says who is sending: sent when the device starts, again at least every 5 s, and
 * whenever the axes change. */
#define BM_TYPE_IDENTITY 1u
#define BM_IDENTITY_BYTES 38u                  /* payload without groups */
#define BM_IDENTITY_FIELDS(FIELD) \
    FIELD(text16, device_name)     /* name of the device, UTF-8, zero-padded */ \
    FIELD(text16, firmware)        /* firmware version, UTF-8, zero-padded */ \
    FIELD(u8, banks)               /* banks that each sample frame carries */ \
    FIELD(u16, sample_rate_hz)     /* nominal rate of sample frames; Hz * 10 */ \
    FIELD(u8, load_axis)           /* what the load axis is, see load axes */ \
    FIELD(u8, speed_count)         /* speed breakpoints; 0: not known */ \
    FIELD(u8, load_count)          /* load breakpoints; 0: not known */
#define BM_IDENTITY_SAMPLE_RATE_HZ_PER_UNIT 10u
#define BM_IDENTITY_SAMPLE_RATE_HZ_LOW 1u      /* 0.1 Hz */
#define BM_IDENTITY_SAMPLE_RATE_HZ_HIGH 10000u /* 1000 Hz */
#define BM_IDENTITY_SPEED_POINTS_MOST 32u      /* speed_count: entries */
#define BM_IDENTITY_SPEED_POINTS_BYTES 2u      /* one entry */
#define BM_IDENTITY_SPEED_POINTS_FIELDS(FIELD) \
    FIELD(u16, speed_rpm)          /* speed breakpoint, ascending; rpm * 2 */
#define BM_IDENTITY_SPEED_POINTS_SPEED_RPM_PER_UNIT 2u
#define BM_IDENTITY_SPEED_POINTS_SPEED_RPM_LOW 0u /* 0 rpm */
#define BM_IDENTITY_SPEED_POINTS_SPEED_RPM_HIGH 60000u /* 30000 rpm */
#define BM_IDENTITY_LOAD_POINTS_MOST 32u       /* load_count: entries */
#define BM_IDENTITY_LOAD_POINTS_BYTES 2u       /* one entry */
#define BM_IDENTITY_LOAD_POINTS_FIELDS(FIELD) \
    FIELD(u16, load)               /* load breakpoint, ascending; kPa or % * 100 */
#define BM_IDENTITY_LOAD_POINTS_LOAD_PER_UNIT 100u
#define BM_IDENTITY_LOAD_POINTS_LOAD_LOW 0u    /* 0 kPa or % */
#define BM_IDENTITY_LOAD_POINTS_LOAD_HIGH 50000u /* 500 kPa or % */
#define BM_IDENTITY_GROUPS(GROUP) \
    GROUP(identity, speed_points, speed_count) \
    GROUP(identity, load_points, load_count)

/* sample: One time-aligned set of measurements of the running engine, taken at the header's
 * device time. */
#define BM_TYPE_SAMPLE 2u
#define BM_SAMPLE_BYTES 19u                    /* payload without groups */
#define BM_SAMPLE_FIELDS(FIELD) \
    FIELD(u16, flags)              /* state flags, see flags */ \
    FIELD(u16, speed_rpm)          /* engine speed; rpm * 2 */ \
    FIELD(u16, map_kpa)            /* manifold absolute pressure; kPa * 100 */ \
    FIELD(u16, throttle_pct)       /* throttle opening; % * 100 */ \
    FIELD(i16, coolant_c)          /* coolant (or head) temperature; degC * 10 */ \
    FIELD(i16, intake_c)           /* intake air temperature; degC * 10 */ \
    FIELD(u16, battery_v)          /* battery voltage; V * 1000 */ \
    FIELD(u16, pulse_width_ms)     /* injector pulse width, mean of banks; ms * 1000 */ \
    FIELD(u16, target_lambda)      /* commanded lambda; lambda * 10000 */ \
    FIELD(u8, banks)               /* number of bank groups that follow */
#define BM_SAMPLE_SPEED_RPM_PER_UNIT 2u
#define BM_SAMPLE_SPEED_RPM_LOW 0u             /* 0 rpm */
#define BM_SAMPLE_SPEED_RPM_HIGH 60000u        /* 30000 rpm */
#define BM_SAMPLE_MAP_KPA_PER_UNIT 100u
#define BM_SAMPLE_MAP_KPA_LOW 0u               /* 0 kPa */
#define BM_SAMPLE_MAP_KPA_HIGH 50000u          /* 500 kPa */
#define BM_SAMPLE_THROTTLE_PCT_PER_UNIT 100u
#define BM_SAMPLE_THROTTLE_PCT_LOW 0u          /* 0 % */
#define BM_SAMPLE_THROTTLE_PCT_HIGH 10000u     /* 100 % */
#define BM_SAMPLE_COOLANT_C_PER_UNIT 10
#define BM_SAMPLE_COOLANT_C_LOW (-600)         /* -60 degC */
#define BM_SAMPLE_COOLANT_C_HIGH 2500          /* 250 degC */
#define BM_SAMPLE_INTAKE_C_PER_UNIT 10
#define BM_SAMPLE_INTAKE_C_LOW (-600)          /* -60 degC */
#define BM_SAMPLE_INTAKE_C_HIGH 2500           /* 250 degC */
#define BM_SAMPLE_BATTERY_V_PER_UNIT 1000u
#define BM_SAMPLE_BATTERY_V_LOW 0u             /* 0 V */
#define BM_SAMPLE_BATTERY_V_HIGH 36000u        /* 36 V */
#define BM_SAMPLE_PULSE_WIDTH_MS_PER_UNIT 1000u
#define BM_SAMPLE_PULSE_WIDTH_MS_LOW 0u        /* 0 ms */
#define BM_SAMPLE_PULSE_WIDTH_MS_HIGH 60000u   /* 60 ms */
#define BM_SAMPLE_TARGET_LAMBDA_PER_UNIT 10000u
#define BM_SAMPLE_TARGET_LAMBDA_LOW 4000u      /* 0.4 lambda */
#define BM_SAMPLE_TARGET_LAMBDA_HIGH 20000u    /* 2 lambda */
#define BM_SAMPLE_BANK_MOST 8u                 /* banks: entries */
#define BM_SAMPLE_BANK_BYTES 5u                /* one entry */
#define BM_SAMPLE_BANK_FIELDS(FIELD) \
    FIELD(u16, measured_lambda)    /* lambda sensor reading; lambda * 10000 */ \
    FIELD(u16, fuel_multiplier)    /* closed-loop fuel multiplier in force; 1 when open loop; ratio * 10000 */ \
    FIELD(u8, sensor_state)        /* see sensor states */
#define BM_SAMPLE_BANK_MEASURED_LAMBDA_PER_UNIT 10000u
#define BM_SAMPLE_BANK_MEASURED_LAMBDA_LOW 3000u /* 0.3 lambda */
#define BM_SAMPLE_BANK_MEASURED_LAMBDA_HIGH 60000u /* 6 lambda */
#define BM_SAMPLE_BANK_FUEL_MULTIPLIER_PER_UNIT 10000u
#define BM_SAMPLE_BANK_FUEL_MULTIPLIER_LOW 2000u /* 0.2 */
#define BM_SAMPLE_BANK_FUEL_MULTIPLIER_HIGH 30000u /* 3 */
#define BM_SAMPLE_GROUPS(GROUP) \
    GROUP(sample, bank, banks)

/* status: Counters of the sender, and what its learner (if it has one) did with its samples: one
 * frame per bank, at most once a second. */
#define BM_TYPE_STATUS 3u
#define BM_STATUS_BYTES 30u                    /* payload without groups */
#define BM_STATUS_FIELDS(FIELD) \
    FIELD(u32, uptime_s)           /* time since the device started */ \
    FIELD(u32, frames_sent)        /* frames sent, this one not counted */ \
    FIELD(u32, frames_dropped)     /* frames not sent for want of time */ \
    FIELD(u32, frames_received)    /* whole frames received */ \
    FIELD(u32, bad_received)       /* received runs that were no frame */ \
    FIELD(u8, bank)                /* bank the rest is about, from 0; 255: no learner */ \
    FIELD(u32, samples_seen)       /* samples the learner was given */ \
    FIELD(u32, samples_used)       /* samples the learner used */ \
    FIELD(u8, reason_count)        /* refusal counters that follow */
#define BM_STATUS_REFUSALS_MOST 40u            /* reason_count: entries */
#define BM_STATUS_REFUSALS_BYTES 4u            /* one entry */
#define BM_STATUS_REFUSALS_FIELDS(FIELD) \
    FIELD(u32, refused)            /* samples refused for the reason of this position, see reasons */
#define BM_STATUS_GROUPS(GROUP) \
    GROUP(status, refusals, reason_count)

/* Every frame: FRAME(NAME, name). */
#define BM_FRAMES(FRAME) \
    FRAME(IDENTITY, identity) \
    FRAME(SAMPLE, sample) \
    FRAME(STATUS, status)

/* Every run of fields, fixed parts and groups: RECORD(NAME, name). */
#define BM_RECORDS(RECORD) \
    RECORD(IDENTITY, identity) \
    RECORD(IDENTITY_SPEED_POINTS, identity_speed_points) \
    RECORD(IDENTITY_LOAD_POINTS, identity_load_points) \
    RECORD(SAMPLE, sample) \
    RECORD(SAMPLE_BANK, sample_bank) \
    RECORD(STATUS, status) \
    RECORD(STATUS_REFUSALS, status_refusals)

/* Every group: COUNT(frame type, offset of count, least, most, bytes of an entry). */
#define BM_COUNTS(COUNT) \
    COUNT(1u, 36u, 0u, 32u, 2u) \
    COUNT(1u, 37u, 0u, 32u, 2u) \
    COUNT(2u, 18u, 1u, 8u, 5u) \
    COUNT(3u, 29u, 0u, 40u, 4u)

#endif
