// A 1-wire bus whose sensors are the lines of STATE.
#pragma once
#include "Arduino.h"

class OneWire {
 public:
  explicit OneWire(int) {}

  bool reset() {
    selected_.clear();
    at_ = 0;
    return !pinState("sensor").empty();
  }
  void reset_search() { next_ = 0; }
  bool search(uint8_t *rom) {
    const auto sensors = pinState("sensor");
    if (next_ >= sensors.size()) return false;
    unhex(sensors[next_++][1], rom, 8);
    return true;
  }
  void select(const uint8_t *rom) {
    char text[17];
    for (int i = 0; i < 8; i++) snprintf(text + 2 * i, 3, "%02x", rom[i]);
    selected_ = text;
  }
  void skip() {}
  void write(uint8_t) {}
  uint8_t read() {
    uint8_t pad[9];
    for (const auto &row : pinState("sensor"))
      if (row[1] == selected_ && at_ < sizeof pad) {
        unhex(row[2], pad, sizeof pad);
        return pad[at_++];
      }
    return 0xFF;  // nobody pulls the wire low
  }

 private:
  static void unhex(const std::string &text, uint8_t *out, size_t count) {
    for (size_t i = 0; i < count; i++) out[i] = (uint8_t)std::stoi(text.substr(2 * i, 2), nullptr, 16);
  }

  std::string selected_;
  size_t next_ = 0, at_ = 0;
};
