#include "analog.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

/* So many readings fit a 16-bit sum; at 50 samples a second there are about 24. */
#define MOST_READINGS 64

/* AVCC as reference; clock / 128: 125 kHz at 16 MHz, one reading in 104 microseconds. */
#define REFERENCE (1 << REFS0)

static struct {
    uint16_t sum;
    uint8_t readings;
} volatile channels[CHANNELS];

ISR(ADC_vect)
{
    uint8_t at = ADMUX & (CHANNELS - 1);
    if (channels[at].readings < MOST_READINGS) {
        channels[at].sum += ADC;
        channels[at].readings++;
    }
    ADMUX = REFERENCE | ((at + 1) & (CHANNELS - 1));
    ADCSRA |= 1 << ADSC;
}

void analog_start(void)
{
    DIDR0 = 0x3F; /* no digital input stage on ADC0 .. ADC5 */
    ADMUX = REFERENCE;
    ADCSRA = 1 << ADEN | 1 << ADIE | 1 << ADSC | 7 << ADPS0;
}

void analog_take(uint16_t parts[CHANNELS])
{
    uint16_t sums[CHANNELS];
    uint8_t readings[CHANNELS];
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
        for (uint8_t i = 0; i < CHANNELS; i++) {
            sums[i] = channels[i].sum;
            readings[i] = channels[i].readings;
            channels[i].sum = 0;
            channels[i].readings = 0;
        }
    }
    for (uint8_t i = 0; i < CHANNELS; i++) {
        /* A reading stands for the middle of its step: half a step is 32 parts. A channel without a
         * reading (rates above 1 kHz) keeps its value. */
        if (readings[i]) parts[i] = (uint16_t)((uint32_t)sums[i] * 64u / readings[i] + 32u);
    }
}
