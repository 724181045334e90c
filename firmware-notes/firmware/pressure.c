// Pressure probe: a gauge sensor whose output follows its 5 V supply, on ADC0.
#define KIND "pressure"
#define OVERSAMPLE 16
#define RATE_MIN 50
#define RATE_MAX 250
#define RATE_DEFAULT 200
// Default: 0.5 V at 0 Pa, 4.5 V at 40 kPa, at 5 V. A count is 5 V / 1024 / 16 = 0.30518 mV.
// For another sensor: ZERO = 16384 V0 / 5 V; SCALE = Pa per volt * 5 V / 16384. A calibration replaces both.
#ifndef SCALE
#define SCALE "3.05176"
#define ZERO "1638.4"
#endif
#define UNIT "Pa"
#include "sampler.h"
