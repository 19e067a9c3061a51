// The 1-wire bus on one pin of an ATmega328P, bit by bit; times of the DS18B20's data sheet at standard speed.
// The pin only ever pulls low or lets go: the 4.7 kΩ resistor to the supply makes the high level.
#pragma once
#include <Arduino.h>
#include <util/delay.h>

#include "crc.h"

class OneWireAvr {
 public:
  // `bit` of port D: 2 for the pin that boards call D2.
  explicit OneWireAvr(uint8_t bit) : mask_(_BV(bit)) {}

  // Wakes every sensor; false when none answers or the wire is held low.
  bool reset() {
    release();
    for (uint8_t tries = 0; !high(); tries++) {
      if (tries == 120) return false;
      _delay_us(2);
    }
    pull();
    _delay_us(490);
    noInterrupts();
    release();
    _delay_us(70);
    const bool present = !high();
    interrupts();
    _delay_us(420);
    return present && high();
  }

  void write(uint8_t byte) {
    for (uint8_t i = 0; i < 8; i++, byte >>= 1) slot(byte & 1);
  }

  uint8_t read() {
    uint8_t byte = 0;
    for (uint8_t i = 0; i < 8; i++) byte |= slot(true) << i;
    return byte;
  }

  void select(const uint8_t rom[8]) {
    write(0x55);  // MATCH ROM
    for (uint8_t i = 0; i < 8; i++) write(rom[i]);
  }

  // Finds the codes of up to `room` sensors of a family; returns how many (Maxim Application Note 187).
  uint8_t search(uint8_t family, uint8_t (*roms)[8], uint8_t room) {
    uint8_t found = 0, code[8] = {0};
    int8_t fork_before = -1;
    do {
      if (!reset()) return found;
      write(0xF0);  // SEARCH ROM
      int8_t fork = -1;
      for (int8_t i = 0; i < 64; i++) {
        const uint8_t at = i >> 3, mask = 1 << (i & 7);
        const bool bit = slot(true), complement = slot(true);
        if (bit && complement) return found;  // nobody is left who answers
        bool way = bit;
        if (!bit && !complement) {  // sensors differ here
          way = i < fork_before ? (code[at] & mask) != 0 : i == fork_before;
          if (!way) fork = i;
        }
        slot(way);
        code[at] = way ? code[at] | mask : code[at] & ~mask;
      }
      fork_before = fork;
      if (crc8(code, 7) == code[7] && code[0] == family) memcpy(roms[found++], code, 8);
    } while (fork_before >= 0 && found < room);
    return found;
  }

 private:
  void pull() {
    PORTD &= ~mask_;
    DDRD |= mask_;
  }
  void release() { DDRD &= ~mask_; }
  bool high() const { return PIND & mask_; }

  // One slot of about 70 µs: writes `bit`; with a 1 it reads what the sensors make of it.
  bool slot(bool bit) {
    bool level = false;
    noInterrupts();
    pull();
    if (bit) {
      _delay_us(3);
      release();
      _delay_us(9);
      level = high();
      interrupts();
      _delay_us(55);
    } else {
      _delay_us(62);
      release();
      interrupts();
      _delay_us(8);
    }
    return level;
  }

  const uint8_t mask_;
};
