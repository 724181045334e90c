// Hall probe: microsecond stamps of the falling edges of up to three hall switches.
//   channel 0 = ICP1 (PB0): the timer itself latches the time; the main sensor belongs here
//   channel 1 = INT0 (PD2), channel 2 = INT1 (PD3): stamped in an interrupt, up to 5 us late
#define KIND "hall"
#include "link.h"

#define CHANNELS 3
#define RING 64                   // edges of a channel that can wait, a power of two
#define BATCH 12                  // edges a line at most
#define FLUSH_US 40000UL          // an edge waits no longer for others to share its line
#define LINE_MAX (14 + 11 * BATCH) // "E 65535 0", times of ten digits, "*CRC\n"
#define ENTRY_US 2                // from the edge to the reading of the clock in the interrupt (about 30 cycles)

struct ring {
  struct moment edge[RING];
  uint8_t head, tail; // written by the interrupt, by the main loop
};
static volatile struct ring rings[CHANNELS];

// Short, because an edge on another channel waits meanwhile.
static inline __attribute__((always_inline)) void store(volatile struct ring *r, struct moment m) {
  uint8_t head = r->head;
  if ((uint8_t)(head - r->tail) >= RING) lost_readings++;
  else {
    r->edge[head % RING].ticks = m.ticks;
    r->edge[head % RING].overflows = m.overflows;
    r->head = head + 1;
    stirred = 1;
  }
}

ISR(TIMER1_CAPT_vect) { store(&rings[0], moment_of(ICR1)); }
ISR(INT0_vect) { store(&rings[1], moment_of(TCNT1)); }
ISR(INT1_vect) { store(&rings[2], moment_of(TCNT1)); }

// Time of the i-th waiting edge.
static uint32_t edge_us(uint8_t channel, uint8_t i) {
  volatile struct ring *r = &rings[channel];
  uint8_t at = (uint8_t)(r->tail + i) % RING;
  struct moment m = {r->edge[at].ticks, r->edge[at].overflows};
  return us_of(m) - (channel ? ENTRY_US : 0);
}

static uint8_t set_rate(uint32_t hz) {
  (void)hz;
  return 0; // edges come when they come
}

static void put_channels(void) {
  for (uint8_t i = 0; i < CHANNELS; i++) {
    put(' ');
    put('0' + i);
    put_text(":edge:1:0:0:4294967295:0:0");
  }
}

// The channel whose edges should go now, or CHANNELS.
static uint8_t channel_due(void) {
  uint32_t now = now_us();
  for (uint8_t i = 0; i < CHANNELS; i++) {
    volatile struct ring *r = &rings[i];
    uint8_t n = r->head - r->tail;
    if (n >= BATCH || (n && now - edge_us(i, 0) >= FLUSH_US)) return i;
  }
  return CHANNELS;
}

// Queues the oldest edges of a channel; there must be room.
static void send_edges(uint8_t channel) {
  volatile struct ring *r = &rings[channel];
  uint8_t n = r->head - r->tail;
  if (n > BATCH) n = BATCH;
  line_begin('E');
  put_field(channel);
  for (uint8_t i = 0; i < n; i++) put_field(edge_us(channel, i));
  if (line_end()) r->tail += n;
}

int main(void) {
  link_init();
  PORTB = _BV(PB0); // pull-ups: hall switches only pull down
  PORTD = _BV(PD2) | _BV(PD3);
  EICRA = _BV(ISC01) | _BV(ISC11); // falling edges
  EIFR = _BV(INTF0) | _BV(INTF1); // setting the edge may have raised a flag
  EIMSK = _BV(INT0) | _BV(INT1);
  TIMSK1 |= _BV(ICIE1);
  sei();
  for (;;) {
    stirred = 0;
    if (link_serve()) continue;
    uint8_t channel = channel_due();
    if (channel < CHANNELS && tx_room() >= LINE_MAX) send_edges(channel);
    else rest();
  }
}
