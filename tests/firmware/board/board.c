/* A simulated board: an ATmega328P that runs a firmware, its serial line on a pseudo-terminal as on a USB cable.
 *
 *   board LINK SENSORS SPEED FIRMWARE.elf
 *
 * LINK is a symbolic link that names the terminal while the cable is plugged in. SPEED 1 is real time, 10 ten times
 * as fast; 0 stands still, and time passes by `run` only. Commands on stdin, each answered by "ok" or "what?":
 *
 *   input CHANNEL MILLIVOLTS        on A0 to A7
 *   celsius SENSOR TEMPERATURE      plug SENSOR 0|1      damage SENSOR 0|1      ground 0|1
 *   cable 0|1                       noise N (a bit of every Nth byte turns over on the cable; 0: none)
 *   speed X                         run MILLISECONDS
 *
 * It ends with its stdin. The program is linked with libsimavr, so as a binary it is under the GPL, version 3. */
#define _GNU_SOURCE
#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "avr_adc.h"
#include "avr_uart.h"
#include "bus.h"
#include "sim_elf.h"
#include "sim_time.h"

static const unsigned HERTZ = 16000000;
static avr_t *avr;
static struct bus bus;
static const char *link_path;
static int terminal = -1, far_end = -1;
static unsigned long sent, noise_every;
static double speed;

static double now_s(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return t.tv_sec + t.tv_nsec * 1e-9;
}

static void plug_cable(bool in)
{
	char name[64];
	struct termios raw;
	if (!in && terminal >= 0) {
		unlink(link_path);
		close(terminal);
		close(far_end);
		terminal = -1;
	} else if (in && terminal < 0) {
		if (openpty(&terminal, &far_end, name, NULL, NULL) < 0) { perror("openpty"); exit(1); }
		tcgetattr(far_end, &raw);
		cfmakeraw(&raw);                        /* or what we send comes back as an echo */
		tcsetattr(far_end, TCSANOW, &raw);      /* our own far end stays open: nobody listening is no error */
		fcntl(terminal, F_SETFL, O_NONBLOCK);   /* a full terminal must not stop the processor */
		unlink(link_path);
		if (symlink(name, link_path) < 0) { perror(link_path); exit(1); }
	}
}

static void on_byte_sent(struct avr_irq_t *irq, uint32_t value, void *param)
{
	uint8_t byte = (uint8_t)value;
	(void)irq; (void)param;
	sent++;
	if (noise_every && sent % noise_every == 0 && byte >= ' ') byte ^= 1 << sent / noise_every % 5;
	if (terminal >= 0 && write(terminal, &byte, 1) != 1) return;   /* lost, as on a wire */
}

/* Returns the time that `run` asks for, in ms; -1 for a command that is unknown. */
static long carry_out(const char *line)
{
	int a, b;
	double x;
	if (sscanf(line, "input %d %d", &a, &b) == 2 && a >= 0 && a < 8)
		avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, a), b);
	else if (sscanf(line, "celsius %d %lf", &a, &x) == 2 && a >= 0 && a < bus.count) bus.sensor[a].celsius = x;
	else if (sscanf(line, "plug %d %d", &a, &b) == 2 && a >= 0 && a < bus.count) bus_plug(&bus, a, b);
	else if (sscanf(line, "damage %d %d", &a, &b) == 2 && a >= 0 && a < bus.count) bus.sensor[a].damaged = b;
	else if (sscanf(line, "ground %d", &a) == 1) bus_ground(&bus, a);
	else if (sscanf(line, "cable %d", &a) == 1) plug_cable(a);
	else if (sscanf(line, "noise %d", &a) == 1) noise_every = a;
	else if (sscanf(line, "speed %lf", &x) == 1) speed = x;
	else if (sscanf(line, "run %d", &a) == 1) return a;
	else return -1;
	return 0;
}

static void run_ms(long ms)
{
	const avr_cycle_count_t end = avr->cycle + ms * (HERTZ / 1000);
	while (avr->cycle < end) {
		const int state = avr_run(avr);
		if (state == cpu_Done || state == cpu_Crashed) { fprintf(stderr, "the processor stopped\n"); exit(1); }
	}
}

static void keep_pace(avr_t *a, avr_cycle_count_t cycles) { (void)a; (void)cycles; }

static void quiet(avr_t *a, const int level, const char *format, va_list values)
{
	if (a && level <= LOG_ERROR) vfprintf(stderr, format, values);
}

static void load(const char *path)
{
	elf_firmware_t firmware = {0};
	avr_global_logger_set(quiet);           /* before the file is read: the library talks on stdout */
	if (elf_read_firmware(path, &firmware)) { fprintf(stderr, "%s cannot be read\n", path); exit(1); }
	avr = avr_make_mcu_by_name("atmega328p");
	avr_init(avr);
	firmware.frequency = HERTZ;
	firmware.vcc = firmware.avcc = firmware.aref = 5000;   /* mV; without them every conversion is wrong */
	avr_load_firmware(avr, &firmware);
	avr->sleep = keep_pace;                 /* the pace is kept below */
	uint32_t no_flags = 0;
	avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &no_flags);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte_sent, NULL);
}

int main(int count, char **words)
{
	static char text[4096];
	size_t length = 0;
	if (count != 5) { fprintf(stderr, "board LINK SENSORS SPEED FIRMWARE.elf\n"); return 2; }
	link_path = words[1];
	speed = atof(words[3]);
	setvbuf(stdout, NULL, _IOLBF, 0);
	load(words[4]);
	bus_attach(&bus, avr, 'D', 2, atoi(words[2]));
	plug_cable(true);
	puts("ok");
	double due_s = now_s();
	for (;;) {
		if (speed > 0) {
			run_ms(5);
			due_s += 0.005 / speed;
			const double early_s = due_s - now_s();
			if (early_s < -0.5) due_s = now_s();    /* the machine was busy: do not race after it */
			struct pollfd input = {0, POLLIN, 0};
			if (poll(&input, 1, early_s > 0 ? (int)(early_s * 1000) : 0) == 0) {
				const double rest_s = due_s - now_s();
				if (rest_s > 0) usleep((useconds_t)(rest_s * 1e6));
				continue;
			}
		}
		const ssize_t got = read(0, text + length, sizeof text - 1 - length);
		if (got <= 0) break;
		length += got;
		text[length] = 0;
		for (char *end; (end = strchr(text, '\n')); ) {
			*end = 0;
			const long ms = carry_out(text);
			if (ms > 0) run_ms(ms);
			puts(ms < 0 ? "what?" : "ok");
			length -= end + 1 - text;
			memmove(text, end + 1, length + 1);
			due_s = now_s();
		}
	}
	plug_cable(false);
	return 0;
}
