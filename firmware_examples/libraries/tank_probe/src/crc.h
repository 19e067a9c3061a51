// The two checksums of a probe, bit by bit: slow but small.
#pragma once
#include <stddef.h>
#include <stdint.h>

// CRC-8 of the 1-wire bus (X^8 + X^5 + X^4 + 1, reflected): guards ROM codes and scratchpads.
inline uint8_t crc8(const uint8_t *bytes, size_t count) {
  uint8_t crc = 0;
  for (size_t i = 0; i < count; i++) {
    crc ^= bytes[i];
    for (uint8_t bit = 0; bit < 8; bit++) crc = (crc & 1) ? (crc >> 1) ^ 0x8C : crc >> 1;
  }
  return crc;
}

// CRC-16/IBM-3740 (polynomial 0x1021, start 0xFFFF): guards a line on its way through the serial cable.
inline uint16_t crc16(const char *text, size_t count) {
  uint16_t crc = 0xFFFF;
  for (size_t i = 0; i < count; i++) {
    crc ^= (uint16_t)(uint8_t)text[i] << 8;
    for (uint8_t bit = 0; bit < 8; bit++) crc = (crc & 0x8000) ? (uint16_t)(crc << 1) ^ 0x1021 : crc << 1;
  }
  return crc;
}
