// A 10 kΩ thermistor in a divider: the fixed resistor goes to the supply, the thermistor to ground.
#pragma once
#include <math.h>

// 1/T = a + b·ln r + c·ln² r + d·ln³ r with r = R/R25, T in kelvin. These coefficients are of the published curve
// of a common 10 kΩ bead (beta 25/85 = 3977 K); put in those of your own part's data sheet. Beta alone is
// within 0.11 K at 20 to 30 °C but 0.7 K off at the ice point.
struct ThermistorCurve {
  float ohm_at_25 = 10000.0f;
  float a = 0.0033539438f, b = 0.00025646095f, c = 2.5158166e-06f, d = 1.0503069e-07f;

  float celsius(float ohm) const {
    const float l = log(ohm / ohm_at_25);
    return 1.0f / (a + l * (b + l * (c + l * d))) - 273.15f;
  }
};

enum class ThermistorFault { none, open, shorted };

// `share` is the voltage at the middle of the divider as a share of the supply, 0 to 1: the supply drops out.
inline ThermistorFault thermistorCelsius(float share, float fixed_ohm, const ThermistorCurve &curve, float *celsius) {
  if (share > 0.98f) return ThermistorFault::open;     // colder than -50 °C: it is not connected
  if (share < 0.02f) return ThermistorFault::shorted;  // hotter than 150 °C
  *celsius = curve.celsius(fixed_ohm * share / (1.0f - share));
  return ThermistorFault::none;
}
