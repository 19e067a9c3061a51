// Answers questions about the headers of the probe library, one a line: "pad HEX", "crc8 HEX", "crc16 TEXT",
// "ratio X" (thermistor resistance as a share of that at 25 °C), "share X".
#include <Arduino.h>
#include <tank_probe.h>

#include <iostream>

static std::vector<uint8_t> unhex(const std::string &text) {
  std::vector<uint8_t> bytes;
  for (size_t i = 0; i + 1 < text.size(); i += 2) bytes.push_back((uint8_t)std::stoi(text.substr(i, 2), nullptr, 16));
  return bytes;
}

int main() {
  const ThermistorCurve curve;
  for (std::string what, text; std::cin >> what >> text;) {
    float celsius = 0;
    if (what == "pad") {
      const ProbeFault fault = decodeScratchpad(unhex(text).data(), &celsius);
      if (fault == ProbeFault::none) std::cout << celsius << "\n";
      else std::cout << faultWord(fault) << "\n";
    } else if (what == "crc8") {
      const auto bytes = unhex(text);
      std::cout << (int)crc8(bytes.data(), bytes.size()) << "\n";
    } else if (what == "crc16") {
      std::cout << crc16(text.data(), text.size()) << "\n";
    } else if (what == "ratio") {
      std::cout << curve.celsius(10000.0f * std::stof(text)) << "\n";
    } else if (what == "share") {
      const ThermistorFault fault = thermistorCelsius(std::stof(text), 10000.0f, curve, &celsius);
      if (fault == ThermistorFault::none) std::cout << celsius << "\n";
      else std::cout << (fault == ThermistorFault::open ? "open" : "shorted") << "\n";
    }
  }
}
