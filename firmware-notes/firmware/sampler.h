// Evenly spaced samples of ADC channel 0 in batches, for probes with an analogue sensor.
//
// A sample is the sum of OVERSAMPLE conversions spread evenly over its interval: a mean over it (order 1), which keeps
// mains hum and vibration from folding into the record. A probe file includes this one and supplies
//   KIND                                  "pressure" or "force"
//   OVERSAMPLE                            conversions a sample, a power of two up to 64
//   RATE_MIN, RATE_MAX, RATE_DEFAULT      Hz
//   UNIT, SCALE, ZERO                     text: unit, unit per count, count at zero
#pragma once
#include "link.h"

#define BATCH 16                  // counts a line at most
#define SLOTS 8                   // batches that can wait for the serial port
#define LINE_MAX (32 + 6 * BATCH) // "S 65535 0 4294967295 20000", counts of five digits, "*CRC\n"
#define TICKS_PER_S 2000000UL

struct pace {
  uint16_t hz;
  uint16_t step_ticks; // from conversion to conversion, of Timer1
  uint16_t dt_us;      // from sample to sample
  uint8_t batch;       // counts a line: about 50 ms of them
};
static struct pace pace, next_pace;
static volatile uint8_t pace_changed;

struct batch {
  struct moment first; // the last conversion of the first count
  uint16_t dt_us;
  uint8_t n;
  uint16_t count[BATCH];
};
// batches[filling] belongs to the interrupts, those from `sending` up to it to the main loop.
static struct batch batches[SLOTS];
static volatile uint8_t filling, sending;
static uint8_t filled;          // counts in batches[filling]
static uint16_t sum;            // of the conversions of the sample under way
static uint8_t converted;       // how many they are
static struct moment last;      // of its last conversion

static void close_batch(void) {
  batches[filling % SLOTS].n = filled;
  filled = 0;
  filling++;
  stirred = 1;
}

// A new rate begins between two samples, so that no sample mixes the two.
static void change_pace(void) {
  pace_changed = 0;
  pace = next_pace;
  if (filled) close_batch();
}

// Converter on, its interrupt on, 125 kHz: 104 us a conversion.
#define ADC_ON (_BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0))

ISR(TIMER1_COMPA_vect) {
  ADCSRA = ADC_ON | _BV(ADSC); // not |=: that would clear a finished conversion's flag
  uint16_t at = OCR1A;
  if (pace_changed && converted == 0) change_pace();
  OCR1A = at + pace.step_ticks;
  if (converted == OVERSAMPLE - 1) last = moment_of(at);
}

static void store(uint16_t count) {
  if (filled == 0 && (uint8_t)(filling - sending) >= SLOTS) {
    lost_readings++;
    return;
  }
  struct batch *b = &batches[filling % SLOTS];
  if (filled == 0) {
    b->first = last;
    b->dt_us = pace.dt_us;
  }
  b->count[filled++] = count;
  if (filled >= pace.batch) close_batch();
}

ISR(ADC_vect) {
  sum += ADC;
  if (++converted == OVERSAMPLE) {
    store(sum);
    sum = 0;
    converted = 0;
  }
}

// Only rates whose steps are whole ticks and whole microseconds: the times on the wire are then exact.
static uint8_t set_rate(uint32_t hz) {
  if (hz < RATE_MIN || hz > RATE_MAX || 1000000UL % hz || (TICKS_PER_S / OVERSAMPLE) % hz) return 0;
  uint8_t batch = (hz + 19) / 20 < BATCH ? (hz + 19) / 20 : BATCH;
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
    next_pace = (struct pace){hz, TICKS_PER_S / OVERSAMPLE / hz, 1000000UL / hz, batch};
    pace_changed = 1;
  }
  return 1;
}

static void put_channels(void) {
  put_text(" 0:" UNIT ":" SCALE ":" ZERO ":0:");
  put_number(1023UL * OVERSAMPLE);
  put(':');
  put_number(next_pace.hz);
  put_text(":1");
}

// Queues the oldest finished batch; there must be room.
static void send_batch(void) {
  const struct batch *b = &batches[sending % SLOTS];
  line_begin('S');
  put_text(" 0");
  put_field(us_of(b->first) + b->dt_us / (2 * OVERSAMPLE)); // the averaging ends half a step after the last conversion
  put_field(b->dt_us);
  for (uint8_t i = 0; i < b->n; i++) put_field(b->count[i]);
  if (line_end()) sending++;
}

static uint8_t batch_can_go(void) { return sending != filling && tx_room() >= LINE_MAX; }

static void sampler_init(void) {
  set_rate(RATE_DEFAULT);
  change_pace();
  DIDR0 = _BV(ADC0D); // the pin is analogue only
  ADMUX = _BV(REFS0); // the supply is the reference, as for the sensor
  ADCSRA = (ADC_ON & ~_BV(ADIE)) | _BV(ADSC);
  loop_until_bit_is_clear(ADCSRA, ADSC); // the first one takes twice as long and is worth nothing
  ADCSRA = (ADC_ON & ~_BV(ADIE)) | _BV(ADIF);
  ADCSRA = ADC_ON;
  OCR1A = TCNT1 + pace.step_ticks;
  TIMSK1 |= _BV(OCIE1A);
}

int main(void) {
  link_init();
  sampler_init();
  sei();
  for (;;) {
    stirred = 0;
    if (link_serve()) continue;
    if (batch_can_go()) send_batch();
    else rest();
  }
}
