/* The two functions that a board supplies to keep evidence across a power cut: two slots, each a
 * file, a flash sector, or what there is. */
#ifndef BREATHMAP_STORAGE_H
#define BREATHMAP_STORAGE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Read bytes of slot 0 or 1 from a place on; returns how many there were, 0 behind the end. */
size_t storage_read(int slot, size_t at, uint8_t *bytes, size_t count);

/* Write bytes at a place, each place once and in order; place 0 empties the slot before. False when
 * they could not be kept. */
bool storage_write(int slot, size_t at, const uint8_t *bytes, size_t count);

#endif
