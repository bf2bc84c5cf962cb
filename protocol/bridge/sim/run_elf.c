/* run_elf FILE.elf MCU: run a program on an emulated AVR until it ends itself.
 *
 * The program talks through its general-purpose I/O registers: a write to GPIOR1 prints that
 * character; GPIOR2 = 1 starts and GPIOR2 = 0 stops a count of cycles, which is printed with a comma
 * after it; GPIOR0 ends the run: 1 well, anything else not. Exit code 0, 1, or 2 when the program
 * cannot be run or does not end.
 */
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_io.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { GPIOR0 = 0x3E, GPIOR1 = 0x4A, GPIOR2 = 0x4B };

#define MOST_CYCLES (16000000ull * 120)

static avr_cycle_count_t started;
static int ended;

static void quiet_log(avr_t *avr, const int level, const char *format, va_list values)
{
    (void)avr;
    if (level <= LOG_ERROR) vfprintf(stderr, format, values);
}

static void on_print(struct avr_t *avr, avr_io_addr_t at, uint8_t value, void *unused)
{
    (void)avr, (void)at, (void)unused;
    putchar(value);
}

static void on_mark(struct avr_t *avr, avr_io_addr_t at, uint8_t value, void *unused)
{
    (void)at, (void)unused;
    if (value) started = avr->cycle;
    else printf("%llu,", (unsigned long long)(avr->cycle - started));
}

static void on_end(struct avr_t *avr, avr_io_addr_t at, uint8_t value, void *unused)
{
    (void)avr, (void)at, (void)unused;
    ended = value;
}

int main(int count, char **words)
{
    if (count != 3) {
        fprintf(stderr, "run_elf: give a program and its microcontroller: run_elf FILE.elf MCU\n");
        return 2;
    }
    elf_firmware_t program;
    memset(&program, 0, sizeof program);
    avr_global_logger_set(quiet_log);
    avr_t *avr = avr_make_mcu_by_name(words[2]);
    if (!avr || elf_read_firmware(words[1], &program) != 0) {
        fprintf(stderr, "run_elf: %s: cannot be run on a %s\n", words[1], words[2]);
        return 2;
    }
    avr_init(avr);
    program.frequency = 16000000;
    avr_load_firmware(avr, &program);
    avr_register_io_write(avr, GPIOR0, on_end, NULL);
    avr_register_io_write(avr, GPIOR1, on_print, NULL);
    avr_register_io_write(avr, GPIOR2, on_mark, NULL);
    while (!ended && avr->cycle < MOST_CYCLES) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) break;
    }
    fflush(stdout);
    if (!ended) {
        fprintf(stderr, "run_elf: %s: stopped before its end\n", words[1]);
        return 2;
    }
    return ended == 1 ? 0 : 1;
}
