/* Everything that a bench needs to change, in one place. Voltages are at the microcontroller's pin,
 * in mV; values beside them are raw, as in breathmap_frames.h (value * PER_UNIT).
 *
 * Channels (ADC0 .. ADC7) and the wheel's pin (ICP1, PB0) are those of the README's schematic.
 */
#ifndef BRIDGE_CONFIG_H
#define BRIDGE_CONFIG_H

/* ---- who sends ---- */
#ifndef DEVICE_NAME
#define DEVICE_NAME "bench bridge"
#endif
#define FIRMWARE_VERSION "avr-1"

/* ---- how often, and how fast the line is ---- */
#ifndef SAMPLE_HZ
#define SAMPLE_HZ 50
#endif
#define BAUD_RATE 115200ul

/* ---- supply: what a voltmeter shows between AVCC and ground ---- */
#define SUPPLY_MV 5000

/* ---- lambda sensors: linear outputs of their controllers ---- */
#ifndef BANKS
#define BANKS 2 /* 1 or 2 */
#endif
#define LAMBDA_1_CHANNEL 0
#define LAMBDA_2_CHANNEL 1
/* Two points of each: mV, lambda * 10000, mV, lambda * 10000. See README, calibration. */
#define LAMBDA_1_POINTS 500, 7000, 4500, 13000
#define LAMBDA_2_POINTS 500, 7000, 4500, 13000
/* Outside of these the wire is off, or the output at its end: the value travels as not measured. */
#define LAMBDA_FAULT_BELOW_MV 50
#define LAMBDA_FULL_ABOVE_MV 4950
/* Readings are not to be believed for so long after power-on. */
#ifndef SENSOR_WARM_UP_S
#define SENSOR_WARM_UP_S 20
#endif
/* The sensor controllers' analogue ground, seen from this bridge's: subtracted from both lambda
 * inputs. 0 where nothing is connected to the channel. */
#define GROUND_CORRECTION 1
#define GROUND_CHANNEL 2

/* ---- the engine controller's target lambda * 10000 while learning: flat, see the set-up sheet ---- */
#define TARGET_LAMBDA 8800

/* ---- other linear inputs: two points, and the mV outside of which the wire is off ---- */
#define MAP_CHANNEL 3
#define MAP_POINTS 400, 2000, 4650, 11500 /* kPa * 100 */
#define MAP_VALID_MV 100, 4900
#define THROTTLE_CHANNEL 4
#define THROTTLE_POINTS 500, 0, 4500, 10000 /* % * 100 */
#define THROTTLE_VALID_MV 100, 4900
#define BATTERY_CHANNEL 7
#define BATTERY_POINTS 0, 0, 5000, 20000 /* V * 1000, behind a divider by four */
#define BATTERY_VALID_MV 500, 4990

/* ---- temperatures: thermistor to ground, pull-up to AVCC ----
 * degC * 10 at 0, 32, 64 ... 1024 of 1024 parts of the supply, for R(25 degC) = 2252 ohm,
 * B = 3435 K and a pull-up of 2490 ohm (an invented, ordinary part): see README for the formula. */
#define COOLANT_CHANNEL 5
#define COOLANT_TABLE \
    {1862, 1464, 1122, 941, 819, 726, 651, 588, 533, 484, 439, \
     398, 360, 324, 290, 256, 224, 193, 162, 131, 100, 68, \
     36, 3, -31, -68, -107, -150, -200, -259, -334, -450, -553}
#define INTAKE_CHANNEL 6
#define INTAKE_TABLE COOLANT_TABLE
#define THERMISTOR_VALID_MV 80, 4920

/* ---- tooth wheel ----
 * Teeth that pass the sensor in one turn of the crankshaft: 35 for a wheel of 36 with one missing,
 * 1 for one mark per turn. Speed is measured over one whole turn, so gaps and uneven teeth cancel. */
#ifndef WHEEL_TEETH
#define WHEEL_TEETH 35
#endif
#define SPEED_MOST_RPM 12000ul /* faster edges are noise */
#define STANDING_AFTER_MS 300  /* without an edge the engine stands */

#endif
