/* The example on an emulated Cortex-M: the bridge's bytes come from ride.bin and the slots are
 * files, by semihosting; the host is on the first serial port. SysTick counts time, which the
 * emulator makes instructions. Behind the end of the ride it stays for its host for as long as
 * there is a file `stay`. */
#include "app.h"
#include "engine.h"
#include "storage.h"
#include "talk.h"

#define SYS_OPEN 0x01u
#define SYS_CLOSE 0x02u
#define SYS_WRITE0 0x04u
#define SYS_WRITE 0x05u
#define SYS_READ 0x06u
#define SYS_SEEK 0x0Au
#define SYS_EXIT 0x18u
#define FOR_READING 1u
#define FOR_WRITING 5u
#define FOR_CHANGES 3u
#define CPACR (*(volatile uint32_t *)0xE000ED88u)
#define SYST ((volatile uint32_t *)0xE000E010u) /* control, reload, value */

#define ICSR (*(volatile uint32_t *)0xE000ED04u)
#define SYSTICK_IS_OVER (1u << 25) /* of ICSR: no longer pending */
#define NVIC_ENABLE (*(volatile uint32_t *)0xE000E100u)
#define NVIC_IS_OVER (*(volatile uint32_t *)0xE000E280u)

#define UART ((volatile uint32_t *)0x40004000u) /* data, state, control, interrupts, divider */
#define UART_INTERRUPT 1u /* its bit of the NVIC: a byte has come in */
#define UART_IS_FULL 1u /* of state: no room to send */
#define UART_HAS_BYTE 2u
#define UART_IS_ON 3u
#define UART_TELLS 11u /* on, with an interrupt at a byte that came in */
#define UART_IS_TOLD 2u
#define TICKS_A_SECOND 25000000u

#ifndef LEARNER_BYTES
#define LEARNER_BYTES 32768u
#endif

extern uint32_t stack_top, data_load, data_start, data_end, bss_start, bss_end;
void reset(void);
static void stuck(void);

static double memory[LEARNER_BYTES / sizeof(double)];
static struct app app;
static struct talk talk;

static uint32_t semihost(uint32_t operation, const void *argument)
{
    register uint32_t r0 __asm__("r0") = operation;
    register const void *r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}

static uint32_t open_file(const char *name, uint32_t length, uint32_t mode)
{
    const uint32_t words[] = {(uint32_t)name, mode, length};
    return semihost(SYS_OPEN, words);
}

static void close_file(uint32_t handle)
{
    semihost(SYS_CLOSE, &handle);
}

static size_t read_file(uint32_t handle, uint8_t *bytes, size_t count)
{
    const uint32_t words[] = {handle, (uint32_t)bytes, count};
    return count - semihost(SYS_READ, words);
}

static const char *const slot_names[] = {"slot-0.bin", "slot-1.bin"};

size_t storage_read(int slot, size_t at, uint8_t *bytes, size_t count)
{
    uint32_t handle = open_file(slot_names[slot], 10, FOR_READING);
    if (handle == UINT32_MAX) return 0;
    const uint32_t words[] = {handle, at};
    size_t found = semihost(SYS_SEEK, words) == 0 ? read_file(handle, bytes, count) : 0;
    close_file(handle);
    return found;
}

bool storage_write(int slot, size_t at, const uint8_t *bytes, size_t count)
{
    uint32_t handle = open_file(slot_names[slot], 10, at ? FOR_CHANGES : FOR_WRITING);
    if (handle == UINT32_MAX) return false;
    const uint32_t words[] = {handle, (uint32_t)bytes, count}, place[] = {handle, at};
    bool kept = semihost(SYS_SEEK, place) == 0 && semihost(SYS_WRITE, words) == 0;
    close_file(handle);
    return kept;
}

static void say(const char *what, uint32_t number)
{
    char digits[12], *at = digits + sizeof digits;
    *--at = '\0';
    do {
        *--at = (char)('0' + number % 10u);
    } while (number /= 10u);
    semihost(SYS_WRITE0, what);
    semihost(SYS_WRITE0, " ");
    semihost(SYS_WRITE0, at);
    semihost(SYS_WRITE0, "\n");
}

/* Ticks since the last call; the counter runs down over 24 bits. */
static uint32_t ticks(uint32_t *last)
{
    uint32_t now = SYST[2], gone = (*last - now) & 0xFFFFFFu;
    *last = now;
    return gone;
}

static bool to_host(void *to, const uint8_t *frame, uint16_t bytes)
{
    (void)to;
    for (uint16_t k = 0; k < bytes; k++) {
        while (UART[1] & UART_IS_FULL) { }
        UART[0] = frame[k];
    }
    return true;
}

static void serve(uint64_t uptime_ticks)
{
    while (UART[1] & UART_HAS_BYTE) talk_byte(&talk, (uint8_t)UART[0]);
    talk_step(&talk, (uint32_t)(uptime_ticks / TICKS_A_SECOND));
}

static bool is_to_stay(void)
{
    uint32_t handle = open_file("stay", 4, FOR_READING);
    if (handle == UINT32_MAX) return false;
    close_file(handle);
    return true;
}

/* Interrupts end a sleep and are never taken. */
static void wake_by_interrupts(void)
{
    __asm__ volatile("cpsid i");
    NVIC_ENABLE = UART_INTERRUPT;
    UART[2] = UART_TELLS;
    SYST[0] = 7u; /* as before, with an interrupt at each turn: 0.7 s */
}

/* Sleep until the host sends a byte or the counter has turned. A byte that came in since the last
 * look ends it at once. */
static void doze(void)
{
    __asm__ volatile("wfi");
    ICSR = SYSTICK_IS_OVER;
    NVIC_IS_OVER = UART_INTERRUPT;
    UART[3] = UART_IS_TOLD;
}

static void serve_and_doze(uint64_t uptime, uint32_t last)
{
    wake_by_interrupts();
    while (is_to_stay()) {
        uint32_t sent;
        do {
            sent = talk.sent;
            uptime += ticks(&last);
            serve(uptime);
        } while (talk.sent != sent);
        doze();
    }
}

/* Learn the ride and serve the host; returns the ticks that learning took. */
static uint64_t learn_ride(uint32_t ride)
{
    uint8_t bytes[256];
    uint64_t spent = 0, uptime = 0;
    uint32_t last = SYST[2];
    size_t count;
    while ((count = read_file(ride, bytes, sizeof bytes)) > 0) {
        uptime += ticks(&last);
        for (size_t k = 0; k < count; k++) app_byte(&app, bytes[k]);
        uint32_t taken = ticks(&last);
        spent += taken;
        uptime += taken;
        serve(uptime);
    }
    serve_and_doze(uptime, last);
    return spent;
}

static int run(void)
{
    size_t needed = bl_learner_bytes(&engine_settings, ENGINE_RATE_HZ);
    say("learner bytes", (uint32_t)needed);
    say("application bytes", (uint32_t)(sizeof app + sizeof talk));
    if (needed == 0 || needed > LEARNER_BYTES) return 1;
    struct bl_learner *learner = bl_learner_init(memory, &engine_settings, ENGINE_RATE_HZ);
    app_init(&app, learner, &engine_names, 77u);
    UART[4] = 16u;
    UART[2] = UART_IS_ON;
    talk_init(&talk, &app, ENGINE_RATE_HZ, to_host, NULL);
    say("snapshot found", app.snapshot);
    SYST[1] = 0xFFFFFFu;
    SYST[0] = 5u; /* on, counts the core's clock */
    uint32_t ride = open_file("ride.bin", 8, FOR_READING);
    if (ride == UINT32_MAX) return 1;
    uint64_t spent = learn_ride(ride);
    close_file(ride);
    say("samples", (uint32_t)app.samples);
    if (app.samples) say("ticks a sample", (uint32_t)(spent / (uint64_t)app.samples));
    return !app_save(&app);
}

static void leave(bool is_well)
{
    semihost(SYS_EXIT, (const void *)(is_well ? 0x20026u : 0x20023u));
    for (;;) { }
}

static void stuck(void)
{
    semihost(SYS_WRITE0, "fault\n");
    leave(false);
}

void reset(void)
{
    CPACR |= 0xFu << 20; /* the floating-point unit, before anything uses it */
    __asm__ volatile("dsb\n isb");
    uint32_t *from = &data_load;
    for (uint32_t *to = &data_start; to < &data_end;) *to++ = *from++;
    for (uint32_t *to = &bss_start; to < &bss_end;) *to++ = 0;
    leave(run() == 0);
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
