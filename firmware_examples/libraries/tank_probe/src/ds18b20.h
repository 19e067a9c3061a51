// What the nine bytes of a DS18B20's scratchpad say, and by which name a sensor goes. No input or output here.
#pragma once
#include <stdint.h>
#include <string.h>

#include "crc.h"

enum class ProbeFault : uint8_t {
  none,
  gone,       // nobody answers
  checksum,   // answered, but the bytes were damaged on the way
  wire,       // the data wire lies on ground: all bytes are zero, and the CRC of zeros is zero
  power_on,   // 85.0: no conversion since power came on
};

inline const char *faultWord(ProbeFault fault) {
  switch (fault) {
    case ProbeFault::gone: return "gone";
    case ProbeFault::checksum: return "checksum";
    case ProbeFault::wire: return "wire";
    case ProbeFault::power_on: return "power-on";
    default: return "none";
  }
}

// Writes the temperature into *celsius only when there is no fault.
inline ProbeFault decodeScratchpad(const uint8_t pad[9], float *celsius) {
  uint8_t ones = 0xFF, any = 0;
  for (uint8_t i = 0; i < 9; i++) {
    ones &= pad[i];
    any |= pad[i];
  }
  if (ones == 0xFF) return ProbeFault::gone;
  if (!any) return ProbeFault::wire;
  // Bits 0 to 4 and 7 of the configuration byte are fixed (data sheet, figure 8): a second look beside the CRC.
  if (crc8(pad, 8) != pad[8] || (pad[4] & 0x9F) != 0x1F) return ProbeFault::checksum;
  int16_t sixteenths = (int16_t)((uint16_t)pad[1] << 8 | pad[0]);
  // No tank is at exactly 85.0, the value of the scratchpad after power-on.
  if (sixteenths == 0x0550) return ProbeFault::power_on;
  const uint8_t undefined_bits = 3 - (pad[4] >> 5 & 3);  // below 12 bits of resolution
  sixteenths = (int16_t)(sixteenths & ~((1 << undefined_bits) - 1));
  *celsius = sixteenths / 16.0f;
  return ProbeFault::none;
}

// Writes the sensor's name as Linux has it, such as 28-000000015ae1: family, dash, serial number.
inline void sensorName(const uint8_t rom[8], char name[16]) {
  static const char digits[] = "0123456789abcdef";
  name[0] = digits[rom[0] >> 4];
  name[1] = digits[rom[0] & 15];
  name[2] = '-';
  for (uint8_t i = 0; i < 6; i++) {
    name[3 + 2 * i] = digits[rom[6 - i] >> 4];
    name[4 + 2 * i] = digits[rom[6 - i] & 15];
  }
  name[15] = 0;
}
