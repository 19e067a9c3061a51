/* The sensors' side of the 1-wire bus; times and commands of the DS18B20's data sheet, standard speed.
 *
 * The master's side is watched through the DDR and PORT registers of its pin: it pulls low when the pin is an
 * output of 0. Some habits of simavr 1.6 matter: its DDR hook runs before the register has the new value; it raises
 * the pin's level itself after every such write, from the "external" value; and it filters equal levels. */
#include "bus.h"

#include <math.h>
#include <string.h>

#include "avr_ioport.h"
#include "sim_cycle_timers.h"
#include "sim_time.h"

static uint8_t crc_of(const uint8_t *bytes, int count)
{
	uint8_t crc = 0;
	for (int i = 0; i < count * 8; i++) {
		const uint8_t in = (bytes[i / 8] >> i % 8 ^ crc) & 1;
		crc = crc >> 1 ^ (in ? 0x8C : 0);
	}
	return crc;
}

static void store(struct sensor *s, int sixteenths)
{
	s->pad[0] = sixteenths & 0xFF;
	s->pad[1] = sixteenths >> 8 & 0xFF;
	s->pad[8] = crc_of(s->pad, 8);
}

static void power_on(struct sensor *s)
{
	static const uint8_t fresh[8] = {0, 0, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10};
	memcpy(s->pad, fresh, sizeof fresh);
	store(s, 85 * 16);
	s->step = ASLEEP;
	s->pulls = false;
}

static void show_level(struct bus *bus)
{
	bool high = !bus->grounded;
	for (int i = 0; i < bus->count; i++) high = high && !(bus->sensor[i].plugged && bus->sensor[i].pulls);
	avr_ioport_external_t outside = {.name = bus->port, .mask = 1 << bus->pin, .value = high << bus->pin};
	avr_ioctl(bus->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(bus->port), &outside);
	if (!bus->master_pulls) avr_raise_irq(bus->pin_irq, high);
}

static int bit_of(const uint8_t *bytes, unsigned bit) { return bytes[bit / 8] >> bit % 8 & 1; }

/* The bit that a sensor sends in the coming slot, or -1 while it listens. */
static int to_send(const struct bus *bus, const struct sensor *s)
{
	if (s->step == SENDING) return bit_of(s->pad, s->bit) ^ (s->damaged && s->bit == 3);
	if (s->step == SEARCHING && s->phase < 2) return bit_of(s->rom, s->bit) ^ (int)s->phase;
	if (s->step == CONVERTING) return bus->avr->cycle >= s->ready_at;
	return -1;
}

static void carry_out(struct bus *bus, struct sensor *s)
{
	s->bit = s->phase = 0;
	if (s->step == ROM_COMMAND) {
		s->step = s->command == 0x55 ? MATCHING : s->command == 0xF0 ? SEARCHING : s->command == 0xCC ? COMMAND : ASLEEP;
	} else if (s->command == 0x44) {
		store(s, (int)lround(s->celsius * 16));
		s->ready_at = bus->avr->cycle + avr_usec_to_cycles(bus->avr, 750000);
		s->step = CONVERTING;
	} else {
		s->step = s->command == 0xBE ? SENDING : ASLEEP;
	}
}

static void hear(struct bus *bus, struct sensor *s, int bit)
{
	switch (s->step) {
	case ROM_COMMAND:
	case COMMAND:
		s->command = (s->command & ~(1 << s->bit)) | bit << s->bit;
		if (++s->bit == 8) carry_out(bus, s);
		break;
	case MATCHING:
	case SEARCHING:
		s->phase = 0;
		if (bit != bit_of(s->rom, s->bit)) s->step = ASLEEP;   /* another sensor is meant */
		else if (++s->bit == 64) { s->step = COMMAND; s->bit = 0; }
		break;
	default:
		break;
	}
}

static avr_cycle_count_t middle_of_slot(avr_t *avr, avr_cycle_count_t when, void *param)
{
	struct bus *bus = param;
	(void)avr; (void)when;
	for (int i = 0; i < bus->count; i++) {
		struct sensor *s = &bus->sensor[i];
		if (!s->plugged) continue;
		if (to_send(bus, s) < 0) hear(bus, s, !bus->master_pulls);
		else if (s->step == SEARCHING) s->phase++;
		else if (s->step == SENDING && ++s->bit == 72) s->step = ASLEEP;
		s->pulls = false;
	}
	show_level(bus);
	return 0;
}

static avr_cycle_count_t presence_ends(avr_t *avr, avr_cycle_count_t when, void *param)
{
	struct bus *bus = param;
	(void)avr; (void)when;
	for (int i = 0; i < bus->count; i++) bus->sensor[i].pulls = false;
	show_level(bus);
	return 0;
}

static avr_cycle_count_t presence_begins(avr_t *avr, avr_cycle_count_t when, void *param)
{
	struct bus *bus = param;
	(void)when;
	for (int i = 0; i < bus->count; i++) bus->sensor[i].pulls = true;
	show_level(bus);
	avr_cycle_timer_register_usec(avr, 120, presence_ends, bus);
	return 0;
}

static void master(struct bus *bus, bool pulls)
{
	if (pulls == bus->master_pulls) return;
	bus->master_pulls = pulls;
	if (pulls) {
		bus->fell_at = bus->avr->cycle;
		for (int i = 0; i < bus->count; i++) bus->sensor[i].pulls = to_send(bus, &bus->sensor[i]) == 0;
		avr_cycle_timer_register_usec(bus->avr, 30, middle_of_slot, bus);
	} else if (avr_cycles_to_usec(bus->avr, bus->avr->cycle - bus->fell_at) >= 480) {
		for (int i = 0; i < bus->count; i++) {
			bus->sensor[i].step = ROM_COMMAND;
			bus->sensor[i].bit = 0;
			bus->sensor[i].pulls = false;
		}
		avr_cycle_timer_register_usec(bus->avr, 30, presence_begins, bus);
	}
	show_level(bus);
}

static void on_register(struct bus *bus, const uint32_t *ddr, const uint32_t *port)
{
	avr_ioport_state_t now;
	avr_ioctl(bus->avr, AVR_IOCTL_IOPORT_GETSTATE(bus->port), &now);
	const uint32_t is_output = ddr ? *ddr : now.ddr, is_high = port ? *port : now.port;
	master(bus, (is_output >> bus->pin & 1) && !(is_high >> bus->pin & 1));
}

static void on_ddr(struct avr_irq_t *irq, uint32_t value, void *param) { (void)irq; on_register(param, &value, NULL); }
static void on_port(struct avr_irq_t *irq, uint32_t value, void *param) { (void)irq; on_register(param, NULL, &value); }

void bus_attach(struct bus *bus, avr_t *avr, char port, int pin, int count)
{
	memset(bus, 0, sizeof *bus);
	bus->avr = avr;
	bus->port = port;
	bus->pin = pin;
	bus->count = count;
	for (int i = 0; i < count; i++) {
		/* serial numbers 000000015ae1, 000000025ae1, ... */
		uint8_t rom[8] = {0x28, 0xE1, 0x5A, (uint8_t)(i + 1)};
		rom[7] = crc_of(rom, 7);
		memcpy(bus->sensor[i].rom, rom, sizeof rom);
		bus->sensor[i].celsius = 25;
		bus->sensor[i].plugged = true;
		power_on(&bus->sensor[i]);
	}
	bus->pin_irq = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), pin);
	avr_irq_set_flags(bus->pin_irq, avr_irq_get_flags(bus->pin_irq) & ~IRQ_FLAG_FILTERED);
	avr_irq_register_notify(
		avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), IOPORT_IRQ_DIRECTION_ALL), on_ddr, bus);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), IOPORT_IRQ_REG_PORT), on_port, bus);
	show_level(bus);
}

void bus_plug(struct bus *bus, int index, bool plugged)
{
	if (plugged && !bus->sensor[index].plugged) power_on(&bus->sensor[index]);
	bus->sensor[index].plugged = plugged;
	show_level(bus);
}

void bus_ground(struct bus *bus, bool grounded)
{
	bus->grounded = grounded;
	show_level(bus);
}
