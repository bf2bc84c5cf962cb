#include "timer.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdbool.h>
#include <util/atomic.h>

#include "../breathmap_link.h"
#include "bridge_config.h"

/* Clock / 8: at 16 MHz two ticks a microsecond, an overflow every 32.768 ms. */
#define TICKS_PER_S (F_CPU / 8)
#define TICKS_PER_US (TICKS_PER_S / 1000000ul)
#define STANDING_TICKS (STANDING_AFTER_MS * (TICKS_PER_S / 1000ul))
/* Half the shortest time between two teeth of a wheel with one missing. */
#define SHORTEST_TICKS (60 * TICKS_PER_S / SPEED_MOST_RPM / (WHEEL_TEETH + 1) / 2)

/* A test starts the clock shortly before it wraps. */
#ifndef FIRST_OVERFLOWS
#define FIRST_OVERFLOWS 0
#endif

static volatile uint32_t overflows = FIRST_OVERFLOWS;

/* The last intervals between edges, one turn of them, and their sum: the time of the last turn. */
static uint32_t intervals[WHEEL_TEETH];
static volatile uint32_t turn_ticks;
static volatile uint32_t last_edge;
static uint8_t next_interval;
static volatile uint8_t known_intervals;
static volatile bool edge_seen;

ISR(TIMER1_OVF_vect) { overflows++; }

/* 32-bit time of a reading of the counter, taken with interrupts off; an overflow that has happened
 * and not been served belongs to readings of the counter's lower half. */
static uint32_t ticks_at(uint16_t counter)
{
    uint16_t upper = (uint16_t)overflows;
    if (TIFR1 & 1 << TOV1 && counter < 0x8000u) upper++;
    return (uint32_t)upper << 16 | counter;
}

ISR(TIMER1_CAPT_vect)
{
    uint32_t now = ticks_at(ICR1);
    uint32_t interval = now - last_edge;
    if (edge_seen && interval < SHORTEST_TICKS) return;
    last_edge = now;
    if (!edge_seen) {
        edge_seen = true;
        return;
    }
    turn_ticks += interval - intervals[next_interval];
    intervals[next_interval] = interval;
    next_interval = (uint8_t)(next_interval + 1 < WHEEL_TEETH ? next_interval + 1 : 0);
    if (known_intervals < WHEEL_TEETH) known_intervals++;
}

void timer_start(void)
{
    PORTB |= 1 << PORTB0; /* pull-up for an open-collector sensor */
    /* Noise canceller on, rising edge, clock / 8. */
    TCCR1B = 1 << ICNC1 | 1 << ICES1 | 1 << CS11;
    TIMSK1 = 1 << ICIE1 | 1 << TOIE1;
}

uint32_t timer_us(void)
{
    uint32_t upper;
    uint16_t counter;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        counter = TCNT1;
        upper = overflows;
        if (TIFR1 & 1 << TOV1 && counter < 0x8000u) upper++;
    }
    /* Wraps as it must, because 2^32 microseconds are a whole number of overflows. */
    return upper * (65536ul / TICKS_PER_US) + counter / TICKS_PER_US;
}

static void forget_turn(void)
{
    for (uint8_t i = 0; i < WHEEL_TEETH; i++) intervals[i] = 0;
    turn_ticks = 0;
    known_intervals = 0;
    edge_seen = false;
}

uint16_t timer_speed(void)
{
    uint32_t turn = 0;
    bool standing = false, known = false;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        standing = ticks_at(TCNT1) - last_edge > STANDING_TICKS;
        if (standing) {
            forget_turn();
            /* Or the clock, going round, would come near the last edge again. */
            last_edge = ticks_at(TCNT1) - STANDING_TICKS - 1;
        }
        known = known_intervals == WHEEL_TEETH;
        turn = turn_ticks;
    }
    if (standing) return 0;
    if (!known || turn == 0) return BM_NULL_U16;
    uint32_t twice_rpm = (120ul * TICKS_PER_S + turn / 2) / turn;
    return twice_rpm <= BM_SAMPLE_SPEED_RPM_HIGH ? (uint16_t)twice_rpm : BM_NULL_U16;
}
