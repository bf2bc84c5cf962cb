/* The self-test on a Cortex-M: vector table, start-up, and a console by semihosting (ARM's
 * "Semihosting for AArch32 and AArch64": operation in r0, argument in r1, BKPT 0xAB). */
#include <stdint.h>

#include "console.h"

#define SYS_WRITE0 0x04u
#define SYS_EXIT 0x18u
#define STOPPED_WELL 0x20026u
#define STOPPED_BADLY 0x20023u

extern uint32_t stack_top, data_load, data_start, data_end, bss_start, bss_end;
int main(void);
void reset(void);
static void stuck(void);

static void semihost(uint32_t operation, uintptr_t argument)
{
    register uint32_t r0 __asm__("r0") = operation;
    register uintptr_t r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
}

void console_text(const char *text) { semihost(SYS_WRITE0, (uintptr_t)text); }

void console_exit(int failures)
{
    semihost(SYS_EXIT, failures ? STOPPED_BADLY : STOPPED_WELL);
    for (;;) { }
}

static void stuck(void)
{
    console_text("fault\n");
    console_exit(1);
}

void reset(void)
{
    uint32_t *from = &data_load;
    for (uint32_t *to = &data_start; to < &data_end;) *to++ = *from++;
    for (uint32_t *to = &bss_start; to < &bss_end;) *to++ = 0;
    console_exit(main());
}

/* Initial stack pointer, reset, then the fourteen system exceptions. */
struct vector_table {
    uint32_t *stack;
    void (*handler[15])(void);
};

__attribute__((section(".vectors"), used)) static const struct vector_table vector_table = {
    &stack_top,
    {reset, stuck, stuck, stuck, stuck, stuck, stuck, stuck, stuck, stuck, stuck, stuck, stuck,
     stuck, stuck},
};
