// The few calls that the ESP sketch uses, as an ordinary Linux program. What the pins see is in the file STATE:
// lines "adc PIN CODE" and "sensor ROM SCRATCHPAD" in hexadecimal. The test replaces it while the program runs.
#pragma once
#include <unistd.h>

#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <ctime>
#include <fstream>
#include <sstream>
#include <string>
#include <vector>

inline unsigned long millis() {
  timespec now;
  clock_gettime(CLOCK_MONOTONIC, &now);
  static const timespec start = now;
  return (uint32_t)((now.tv_sec - start.tv_sec) * 1000 + (now.tv_nsec - start.tv_nsec) / 1000000);
}
inline void delay(unsigned long ms) { usleep(ms * 1000); }

inline std::vector<std::vector<std::string>> pinState(const std::string &what) {
  std::vector<std::vector<std::string>> rows;
  std::ifstream file("STATE");
  for (std::string line; std::getline(file, line);) {
    std::istringstream words(line);
    std::vector<std::string> row;
    for (std::string word; words >> word;) row.push_back(word);
    if (row.size() == 3 && row[0] == what) rows.push_back(row);
  }
  return rows;
}

inline int analogRead(int pin) {
  for (const auto &row : pinState("adc"))
    if (std::stoi(row[1]) == pin) return std::stoi(row[2]);
  return 0;
}

inline char *dtostrf(double value, signed char width, unsigned char decimals, char *out) {
  sprintf(out, "%*.*f", width, decimals, value);
  return out;
}

inline void configTime(long, int, const char *) {}  // this machine's clock is set, or so we hope

struct SerialPort {
  void begin(unsigned long) {}
};
inline SerialPort Serial;
