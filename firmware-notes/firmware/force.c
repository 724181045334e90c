// Force probe: a load cell behind an amplifier whose output follows the 5 V supply, on ADC0.
#define KIND "force"
#define OVERSAMPLE 4
#define RATE_MIN 250
#define RATE_MAX 1250
#define RATE_DEFAULT 1000
// Default: 0.5 V without load and 0.02 V a newton, at 5 V. A count is 5 V / 1024 / 4 = 1.2207 mV.
// For another amplifier: ZERO = 4096 V0 / 5 V; SCALE = N per volt * 5 V / 4096. A calibration replaces both.
#ifndef SCALE
#define SCALE "0.0610352"
#define ZERO "409.6"
#endif
#define UNIT "N"
#include "sampler.h"
