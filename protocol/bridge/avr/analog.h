/* Analogue inputs: eight channels in turn, without end, averaged between two samples. */
#ifndef ANALOG_H
#define ANALOG_H

#include <stdint.h>

#define CHANNELS 8

void analog_start(void);

/* Average of every channel since the last call, in 65536 parts of the supply; starts anew. */
void analog_take(uint16_t parts[CHANNELS]);

#endif
