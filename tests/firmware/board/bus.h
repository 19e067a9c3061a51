/* A 1-wire bus with DS18B20 sensors on one pin of a simulated AVR. */
#ifndef BUS_H
#define BUS_H
#include <stdbool.h>
#include <stdint.h>

#include "sim_avr.h"

#define MOST_SENSORS 4

enum step { ASLEEP, ROM_COMMAND, MATCHING, SEARCHING, COMMAND, CONVERTING, SENDING };

struct sensor {
	/* what a test sets */
	bool plugged;
	bool damaged;      /* one bit of the scratchpad turns over on the wire */
	double celsius;
	/* what the sensor knows */
	uint8_t rom[8], pad[9];
	/* where it is in the talk */
	enum step step;
	unsigned bit;      /* of the ROM code, of the scratchpad, or of the command that is coming in */
	unsigned phase;    /* of a search: bit, complement, the master's choice */
	uint8_t command;
	bool pulls;
	avr_cycle_count_t ready_at;
};

struct bus {
	avr_t *avr;
	avr_irq_t *pin_irq;
	char port;
	int pin;
	bool grounded;
	bool master_pulls;
	avr_cycle_count_t fell_at;
	struct sensor sensor[MOST_SENSORS];
	int count;
};

void bus_attach(struct bus *bus, avr_t *avr, char port, int pin, int count);
void bus_plug(struct bus *bus, int index, bool plugged);   /* plugging in is also a power-on */
void bus_ground(struct bus *bus, bool grounded);
#endif
