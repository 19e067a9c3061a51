// One SenML pack (RFC 8428) in a buffer of fixed size:
//   [{"n":"28-000000015ae1/temperature","u":"Cel","v":24.8125},{"n":"heater","vb":true}]
// On a serial line it ends in an asterisk and the CRC-16 of what is before it, four hexadecimal digits.
#pragma once
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "crc.h"

template <size_t SIZE>
class SenmlLine {
 public:
  SenmlLine() { begin(); }

  void begin() {
    length_ = 0;
    overflowed_ = false;
    put("[");
  }

  void celsius(const char *sensor, const char *what, float value, uint8_t decimals) {
    char digits[16];
    name(sensor, what);
    put(",\"u\":\"Cel\",\"v\":");
    put(dtostrf(value, 1, decimals, digits));
    put("}");
  }

  void state(const char *what, bool on) {
    name(nullptr, what);
    put(on ? ",\"vb\":true}" : ",\"vb\":false}");
  }

  // A word instead of a value, such as what is wrong with a sensor.
  void word(const char *sensor, const char *what, const char *text) {
    name(sensor, what);
    put(",\"vs\":\"");
    put(text);
    put("\"}");
  }

  // Ends the pack; returns an empty text where the buffer was too small, since half a pack is none.
  const char *finish(bool with_checksum) {
    put("]");
    if (with_checksum) {
      static const char digits[] = "0123456789ABCDEF";
      const uint16_t crc = crc16(text_, length_);
      const char end[6] = {'*', digits[crc >> 12], digits[crc >> 8 & 15], digits[crc >> 4 & 15], digits[crc & 15], 0};
      put(end);
    }
    if (overflowed_) text_[0] = 0;
    return text_;
  }

 private:
  void name(const char *sensor, const char *what) {
    put(length_ > 1 ? ",{\"n\":\"" : "{\"n\":\"");
    if (sensor) {
      put(sensor);
      put("/");
    }
    put(what);
    put("\"");
  }

  void put(const char *piece) {
    const size_t more = strlen(piece);
    if (length_ + more >= SIZE) {
      overflowed_ = true;
      return;
    }
    memcpy(text_ + length_, piece, more + 1);
    length_ += more;
  }

  char text_[SIZE];
  size_t length_ = 0;
  bool overflowed_ = false;
};
