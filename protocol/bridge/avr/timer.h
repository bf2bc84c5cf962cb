/* Timer 1: the device clock, and the speed from a tooth wheel on the input capture pin. */
#ifndef TIMER_H
#define TIMER_H

#include <stdint.h>

void timer_start(void);

/* Microseconds since the start; wraps after 71.6 minutes. */
uint32_t timer_us(void);

/* Raw speed (rpm * 2): 0 when the engine stands, BM_NULL_U16 before the first whole turn. */
uint16_t timer_speed(void);

#endif
