/* From voltages to raw values. Pure arithmetic; everything with constants folds at compile time.
 *
 * Inside the firmware a voltage is a share of the supply in 65536 parts: 64 parts are one step of
 * the converter, and an average keeps what lies between two steps.
 */
#ifndef CALIBRATE_H
#define CALIBRATE_H

#include <stdbool.h>
#include <stdint.h>

#include "bridge_config.h"

#define PARTS(mv) ((int32_t)((int64_t)(mv) * 65536 / SUPPLY_MV))

/* Expands a pair or four of the configuration into arguments. */
#define LINEAR(parts, points) linear_points(parts, points)
#define linear_points(parts, a_mv, a, b_mv, b) linear(parts, PARTS(a_mv), a, PARTS(b_mv), b)
#define VALID(parts, range) valid_range(parts, range)
#define valid_range(parts, low_mv, high_mv) \
    ((parts) >= PARTS(low_mv) && (parts) <= PARTS(high_mv))

static inline int32_t divide_rounded(int32_t a, int32_t b)
{
    return (a < 0 ? a - b / 2 : a + b / 2) / b;
}

/* The line through two points; spans up to 32000 raw do not overflow. */
static inline int32_t linear(int32_t parts, int32_t a_parts, int32_t a, int32_t b_parts, int32_t b)
{
    return a + divide_rounded((parts - a_parts) * (b - a), b_parts - a_parts);
}

/* Straight lines between the 33 entries of a table. */
static inline int16_t between(int16_t lower, int16_t upper, uint16_t parts)
{
    return (int16_t)(lower + divide_rounded((int32_t)(upper - lower) * (parts & 2047u), 2048));
}

#endif
