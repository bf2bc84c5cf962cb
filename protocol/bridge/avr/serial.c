#include "serial.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "bridge_config.h"

#define DIVISOR ((F_CPU + 4ul * BAUD_RATE) / (8ul * BAUD_RATE) - 1ul)
#define REAL_BAUD (F_CPU / (8ul * (DIVISOR + 1ul)))
#if 1000ul * REAL_BAUD > 1025ul * BAUD_RATE || 1000ul * REAL_BAUD < 975ul * BAUD_RATE
#error "This clock cannot make this baud rate within 2.5 %: change BAUD_RATE in bridge_config.h"
#endif

uint8_t serial_ring[SERIAL_MASK + 1u];
static volatile uint8_t first; /* the next byte to send */
static volatile uint8_t end;   /* one after the last */

ISR(USART_UDRE_vect)
{
    if (first == end) {
        UCSR0B &= (uint8_t)~(1 << UDRIE0);
        return;
    }
    UDR0 = serial_ring[first];
    first++;
}

void serial_start(void)
{
    UCSR0A = 1 << U2X0; /* before the divisor: simavr takes its rate when that is written */
    UBRR0 = (uint16_t)DIVISOR;
    UCSR0C = 1 << UCSZ01 | 1 << UCSZ00; /* 8 data bits, no parity, 1 stop bit */
    UCSR0B = 1 << TXEN0;
}

uint8_t serial_end(void) { return end; }

/* One place stays free, or a full ring would look empty. */
uint8_t serial_room(void) { return (uint8_t)(first - end - 1u); }

void serial_commit(uint8_t bytes)
{
    /* The interrupt may send at once: the bytes must be in memory before they are announced. */
    __asm__ volatile("" ::: "memory");
    end = (uint8_t)(end + bytes);
    UCSR0B |= 1 << UDRIE0;
}
