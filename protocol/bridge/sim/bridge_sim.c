/* bridge_sim FILE.elf [POSITIONS MISSING]: the reference firmware on an emulated ATmega328P.
 *
 * Its serial line is a pseudo-terminal, whose name is printed ("port: /dev/pts/3"); it starts when a
 * reader opens that, waits when the reader does not take bytes, and ends when standard input does or
 * the reader goes. What the sensors say comes from standard input, in simulated time, one line per
 * change:
 *
 *     TIME_US SPEED_RPM MV0 MV1 MV2 MV3 MV4 MV5 MV6 MV7     speed, and the eight analogue inputs
 *     reset                                                 pull the reset pin
 *     hang                                                  leave the program in an endless loop
 *
 * The tooth wheel on PB0 has POSITIONS teeth of which the last MISSING are not there (36 and 1).
 * At the end it prints how deep the stack has been, and the share of time that was not sleep.
 */
#define _DEFAULT_SOURCE
#define _XOPEN_SOURCE 600

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

enum { CLOCK_HZ = 16000000, SUPPLY_MV = 5000, CHANNELS = 8 };

/* Serial libraries throw away what has come in while they open a port; and a read that waits for
 * more loses what it has when the port closes. Wait both out. */
enum { GRACE_US = 300000, LINGER_US = 600000, POLL_US = 5000 };

static avr_t *avr;

/* ---- the pseudo-terminal ---- */

static int terminal;
static uint8_t waiting[1 << 15];
static size_t waiting_bytes;

static void fail(const char *what)
{
    fprintf(stderr, "bridge_sim: %s\n", what);
    exit(2);
}

static void open_terminal(void)
{
    struct termios settings;
    terminal = posix_openpt(O_RDWR | O_NOCTTY);
    if (terminal < 0 || grantpt(terminal) || unlockpt(terminal)) fail("no pseudo-terminal here");
    /* Our own copy of the other end is closed again: only then do we see when the reader goes. */
    int other = open(ptsname(terminal), O_RDWR | O_NOCTTY);
    if (other < 0 || tcgetattr(other, &settings)) fail("the pseudo-terminal cannot be opened");
    cfmakeraw(&settings);
    tcsetattr(other, TCSANOW, &settings);
    close(other);
    printf("port: %s\n", ptsname(terminal));
    fflush(stdout);
}

static int reader_there(void)
{
    struct pollfd asked = {terminal, POLLIN, 0};
    uint8_t unused[256];
    if (poll(&asked, 1, 0) < 0) return 0;
    if (asked.revents & POLLHUP) return 0;
    /* The firmware listens to nothing. */
    if (asked.revents & POLLIN && read(terminal, unused, sizeof unused) <= 0) return 0;
    return 1;
}

static void await_reader(void)
{
    while (!reader_there()) usleep(POLL_US);
    usleep(GRACE_US);
}

/* Hand over what waits, however long the reader takes; ends the program when it has gone. */
static void flush_terminal(void)
{
    size_t done = 0;
    while (done < waiting_bytes) {
        if (!reader_there()) exit(0);
        struct pollfd asked = {terminal, POLLOUT, 0};
        poll(&asked, 1, 50);
        if (!(asked.revents & POLLOUT)) continue;
        /* A pseudo-terminal takes at most a page at once; a smaller piece never blocks. */
        size_t piece = waiting_bytes - done < 512 ? waiting_bytes - done : 512;
        ssize_t taken = write(terminal, waiting + done, piece);
        if (taken < 0 && errno != EAGAIN && errno != EINTR) exit(0);
        if (taken > 0) done += (size_t)taken;
    }
    waiting_bytes = 0;
}

/* Close only when everything has been read. */
static void drain_terminal(void)
{
    int quiet = 0;
    flush_terminal();
    while (quiet < 5 && reader_there()) {
        int unread = 0, other = open(ptsname(terminal), O_RDWR | O_NOCTTY | O_NONBLOCK);
        if (other < 0 || ioctl(other, FIONREAD, &unread) < 0) break;
        close(other);
        quiet = unread ? 0 : quiet + 1;
        usleep(POLL_US);
    }
    usleep(LINGER_US);
}

static void on_serial_byte(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)unused;
    if (waiting_bytes < sizeof waiting) waiting[waiting_bytes++] = (uint8_t)value;
}

/* ---- the tooth wheel ---- */

static double speed_rpm;
static int positions = 36, missing = 1, half_position;
static double next_edge; /* in cycles, with the fraction that whole cycles lack */
static avr_irq_t *wheel_pin;

static avr_cycle_count_t turn_wheel(struct avr_t *unused, avr_cycle_count_t when, void *unused_too)
{
    (void)unused, (void)unused_too;
    if (speed_rpm < 1.0) {
        next_edge = (double)when + CLOCK_HZ / 1000;
        return (avr_cycle_count_t)next_edge;
    }
    half_position = (half_position + 1) % (2 * positions);
    int tooth = half_position / 2 < positions - missing;
    avr_raise_irq(wheel_pin, tooth && half_position % 2 == 0);
    next_edge += 60.0 * CLOCK_HZ / (speed_rpm * 2 * positions);
    return (avr_cycle_count_t)next_edge;
}

/* ---- the emulated microcontroller ---- */

/* Sleeping costs no real time here. */
static void do_not_sleep(avr_t *unused, avr_cycle_count_t cycles) { (void)unused, (void)cycles; }

static void quiet_log(avr_t *unused, const int level, const char *format, va_list values)
{
    (void)unused;
    if (level <= LOG_ERROR) vfprintf(stderr, format, values);
}

static void start_avr(const char *path)
{
    elf_firmware_t program;
    memset(&program, 0, sizeof program);
    avr_global_logger_set(quiet_log);
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr) fail("this simavr knows no atmega328p");
    if (elf_read_firmware(path, &program) != 0) fail("the firmware cannot be read");
    program.frequency = CLOCK_HZ;
    program.vcc = program.avcc = program.aref = SUPPLY_MV;
    avr_init(avr);
    avr_load_firmware(avr, &program);
    avr->sleep = do_not_sleep;
    uint32_t flags = 0; /* neither wait for, nor print, what goes over the serial line */
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT),
                            on_serial_byte, NULL);
    wheel_pin = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0);
}

/* A reset, the watchdog's included, stops every timer; the wheel turns on. */
static void keep_turning(void)
{
    if ((double)avr->cycle < next_edge + CLOCK_HZ / 1000) return;
    next_edge = (double)avr->cycle + 1;
    avr_cycle_timer_register(avr, 1, turn_wheel, NULL);
}

enum { SP_LOW = 0x5D, SP_HIGH = 0x5E };

static int lowest_stack = 0xFFFF;
static avr_cycle_count_t slept;

static void run_until(avr_cycle_count_t end)
{
    while (avr->cycle < end) {
        avr_cycle_count_t before = avr->cycle;
        int state = avr_run(avr);
        /* The call that executes SLEEP also sleeps. */
        if (avr->state == cpu_Sleeping) slept += avr->cycle - before;
        int stack = avr->data[SP_HIGH] << 8 | avr->data[SP_LOW];
        /* Zero until the program has set it. */
        if (stack && stack < lowest_stack) lowest_stack = stack;
        if (state == cpu_Done || state == cpu_Crashed) fail("the firmware has crashed");
        if (waiting_bytes >= 2048) flush_terminal();
        keep_turning();
    }
}

/* Go into the endless loop that the C library puts after main; interrupts go on being served. */
static void hang(void)
{
    for (avr_flashaddr_t at = 0; at < avr->flashend; at += 2) {
        if (avr->flash[at] == 0xFF && avr->flash[at + 1] == 0xCF) { /* rjmp to itself */
            avr->pc = at;
            avr->state = cpu_Running;
            return;
        }
    }
    fail("the firmware has no endless loop to hang in");
}

static void set_inputs(const unsigned *mv)
{
    for (int i = 0; i < CHANNELS; i++) {
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + i), mv[i]);
    }
}

int main(int count, char **words)
{
    char line[256];
    if (count != 2 && count != 4) fail("give a firmware: bridge_sim FILE.elf [POSITIONS MISSING]");
    if (count == 4) {
        positions = atoi(words[2]);
        missing = atoi(words[3]);
        if (positions < 1 || missing < 0 || missing >= positions) fail("that is no tooth wheel");
    }
    start_avr(words[1]);
    open_terminal();
    await_reader();
    while (fgets(line, sizeof line, stdin)) {
        double time_us, rpm;
        unsigned mv[CHANNELS];
        if (strcmp(line, "reset\n") == 0) {
            avr_reset(avr);
            continue;
        }
        if (strcmp(line, "hang\n") == 0) {
            hang();
            continue;
        }
        if (sscanf(line, "%lf %lf %u %u %u %u %u %u %u %u", &time_us, &rpm, &mv[0], &mv[1], &mv[2],
                   &mv[3], &mv[4], &mv[5], &mv[6], &mv[7]) != 2 + CHANNELS) {
            fail("a line of input is not TIME_US SPEED_RPM and eight voltages in mV");
        }
        run_until((avr_cycle_count_t)(time_us * (CLOCK_HZ / 1e6)));
        speed_rpm = rpm;
        set_inputs(mv);
    }
    /* What stands in the send buffer takes up to 22 ms. */
    run_until(avr->cycle + CLOCK_HZ / 40);
    drain_terminal();
    printf("stack: %d bytes\n", (int)avr->ramend - lowest_stack);
    printf("awake: %.1f %%\n", 100.0 * (double)(avr->cycle - slept) / (double)avr->cycle);
    return 0;
}
