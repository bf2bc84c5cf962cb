/* The serial line out: a ring that the encoder writes into and an interrupt empties. */
#ifndef SERIAL_H
#define SERIAL_H

#include <stdint.h>

#define SERIAL_MASK 255u

extern uint8_t serial_ring[SERIAL_MASK + 1u];

void serial_start(void);

/* Where the next byte goes, and how many may follow from there. */
uint8_t serial_end(void);
uint8_t serial_room(void);

/* Send so many bytes that now stand from serial_end() on. */
void serial_commit(uint8_t bytes);

#endif
