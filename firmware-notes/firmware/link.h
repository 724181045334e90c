// What the probes share: serial link, line building, microsecond clock, boot counter, commands, heartbeat.
// The lines are those of ../wire.md. ATmega328P at 16 MHz.
//
// A probe file includes this one and supplies
//   KIND              "pressure", "force" or "hall"
//   put_channels()    its channel fields of the identity
//   set_rate(hz)      1 when the rate of channel 0 was set, 0 when it is not possible
// and counts in lost_readings the samples or edges that it drops.
#pragma once
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <stdint.h>
#include <util/atomic.h>
#include <util/crc16.h>

#ifndef SERIAL
#define SERIAL "0001" // 1..16 of [A-Za-z0-9._-]; one per board: make SERIAL=...
#endif
#ifndef BAUD_DIVISOR // baud = 2 MHz / (divisor + 1): 16 gives 117647, the usual "115200"; 7 gives 250000, exact
#define BAUD_DIVISOR 16
#endif
#ifndef CLOCK_START // overflows of 32768 us on the clock at boot; not 0 only to test its wrap
#define CLOCK_START 0UL
#endif
#define FIRMWARE "1.0"

static void put_channels(void);
static uint8_t set_rate(uint32_t hz);
static volatile uint16_t lost_readings; // since the last heartbeat
static volatile uint8_t stirred; // set by every interrupt that leaves work for the main loop

// ---- Clock: Timer1 counts half microseconds, its overflows make the 32-bit microseconds.

static volatile uint32_t overflows = CLOCK_START;

// A moment as an interrupt can note it in few cycles.
struct moment {
  uint16_t ticks;     // count of the timer
  uint16_t overflows; // low half of the overflows before it
};

// The moment of a count latched not longer than 16 ms ago. Call with interrupts off.
// An overflow that waits for its interrupt belongs to the count if the count is already past it.
static inline __attribute__((always_inline)) struct moment moment_of(uint16_t ticks) {
  uint16_t o = (uint16_t)overflows;
  if ((TIFR1 & _BV(TOV1)) && ticks < 0x8000) o++;
  return (struct moment){ticks, o};
}

// Microseconds of a moment not longer ago than half an hour (nor later than 16 ms from now): wraps at 2^32.
static uint32_t us_of(struct moment m) {
  uint32_t o;
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) o = overflows;
  o += (int16_t)(m.overflows - (uint16_t)o);
  return (o << 15) | (m.ticks >> 1);
}

ISR(TIMER1_OVF_vect) { overflows++; }

static uint32_t now_us(void) {
  struct moment m;
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) m = moment_of(TCNT1);
  return us_of(m);
}

// ---- Sending: a line is written behind the bytes that wait, and shows to the interrupt only when it is whole.

static uint8_t tx[256]; // 8-bit indices wrap by themselves
static volatile uint8_t tx_head, tx_tail;
static uint8_t tx_write, tx_full;
static uint16_t line_crc, line_seq;
static uint16_t lost_lines;

ISR(USART_UDRE_vect) {
  if (tx_head == tx_tail) UCSR0B &= ~_BV(UDRIE0);
  else UDR0 = tx[tx_tail++];
}

static uint8_t tx_room(void) { return (uint8_t)(tx_tail - tx_head - 1); }

static void put_raw(char c) {
  uint8_t next = tx_write + 1;
  if (next == tx_tail) tx_full = 1;
  else {
    tx[tx_write] = c;
    tx_write = next;
  }
}

static void put(char c) {
  line_crc = _crc_ccitt_update(line_crc, c);
  put_raw(c);
}

static void put_text(const char *s) {
  while (*s) put(*s++);
}

// Decimal by subtraction: a division of 32 bits takes this chip 40 us a digit.
static void put_number(uint32_t v) {
  static const uint32_t power[] = {1000000000, 100000000, 10000000, 1000000, 100000, 10000, 1000, 100, 10};
  uint8_t seen = 0;
  for (uint8_t i = 0; i < sizeof power / sizeof *power; i++) {
    char digit = '0';
    while (v >= power[i]) v -= power[i], digit++;
    if (seen || digit != '0') put(digit), seen = 1;
  }
  put('0' + v);
}

static void put_field(uint32_t v) {
  put(' ');
  put_number(v);
}

static void line_begin(char kind) {
  tx_write = tx_head;
  tx_full = 0;
  line_crc = 0xFFFF;
  put(kind);
  put_field(line_seq);
}

// 1 when the line was queued, 0 when it did not fit (nothing of it is sent, no sequence number is used).
static uint8_t line_end(void) {
  static const char hex[] = "0123456789ABCDEF";
  put_raw('*');
  for (int8_t shift = 12; shift >= 0; shift -= 4) put_raw(hex[(line_crc >> shift) & 15]);
  put_raw('\n');
  if (tx_full) return 0;
  tx_head = tx_write;
  line_seq++;
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) UCSR0B |= _BV(UDRIE0);
  return 1;
}

// ---- Commands: the interrupt only stores bytes, so that it delays an edge as little as possible.

static volatile uint8_t rx[32], rx_head, rx_tail;
static char command[16];
static uint8_t command_len;
static uint8_t want_identity = 1, want_rate_notice, want_command_notice, want_pong;
static uint16_t ping_token;
static uint32_t ping_us;

ISR(USART_RX_vect) {
  uint8_t c = UDR0, h = rx_head;
  if ((uint8_t)(h - rx_tail) < sizeof rx) {
    rx[h % sizeof rx] = c;
    rx_head = h + 1;
  }
  stirred = 1;
}

// An answer that is still owed when it is asked for again is sent once; the other one is lost.
static void owe(uint8_t *want) {
  if (*want) lost_lines++;
  *want = 1;
}

// 1 and the value of "<letter> <decimal>" when the command is that and at most `max`.
static uint8_t argument(uint32_t max, uint32_t *value) {
  if (command_len < 3 || command[1] != ' ') return 0;
  uint32_t v = 0;
  for (uint8_t i = 2; i < command_len; i++) {
    if (command[i] < '0' || command[i] > '9' || v > max) return 0;
    v = v * 10 + (command[i] - '0');
  }
  *value = v;
  return v <= max;
}

static void obey(void) {
  uint32_t v;
  if (command_len == 1 && command[0] == 'i') owe(&want_identity);
  else if (command[0] == 'p' && argument(65535, &v)) {
    owe(&want_pong);
    ping_token = v;
    ping_us = now_us();
  } else if (command[0] == 'r' && argument(999999, &v)) {
    if (!set_rate(v)) owe(&want_rate_notice);
    owe(&want_identity);
  } else owe(&want_command_notice);
}

static void read_commands(void) {
  while (rx_tail != rx_head) {
    char c = rx[rx_tail % sizeof rx];
    rx_tail++;
    if (c == '\n') {
      if (command_len > sizeof command) owe(&want_command_notice);
      else if (command_len) obey();
      command_len = 0;
    } else if (c != '\r') {
      if (command_len < sizeof command) command[command_len++] = c;
      else command_len = sizeof command + 1; // too long: not understood
    }
  }
}

// ---- What every probe says beside its readings.

static uint16_t boot_count;
static uint32_t beat_us; // time of the last heartbeat
static uint32_t lost_since_boot;

// One cell is rewritten at every boot: 65536 boots are fewer than the 100000 writes a cell is good for.
static void count_boot(void) {
  uint16_t *cell = (uint16_t *)0;
  boot_count = eeprom_read_word(cell) + 1; // an erased cell reads 65535: the first boot is 0
  eeprom_update_word(cell, boot_count);
}

static uint8_t send_identity(void) {
  line_begin('I');
  put_text(" 1 " KIND " " SERIAL " " FIRMWARE);
  put_field(boot_count);
  put_field(now_us());
  put_channels();
  return line_end();
}

static uint8_t send_notice(const char *code) {
  line_begin('N');
  put_text(code);
  return line_end();
}

static uint8_t send_pong(void) {
  line_begin('P');
  put_field(ping_token);
  put_field(ping_us);
  return line_end();
}

static uint8_t send_beat(uint32_t now) {
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
    lost_since_boot += lost_readings;
    lost_readings = 0;
  }
  line_begin('H');
  put_field(now);
  put_field(lost_lines);
  put_field(lost_since_boot);
  return line_end();
}

// Sends the most urgent of the lines owed; 0 when none is owed or there is no room yet.
static uint8_t link_serve(void) {
  read_commands();
  uint32_t now = now_us();
  if (now - beat_us >= 1000000UL) {
    if (!send_beat(now)) return 0;
    beat_us += 1000000UL;
  } else if (want_rate_notice) { // before the identity: that is the order of the answer
    if (!send_notice(" rate")) return 0;
    want_rate_notice = 0;
  } else if (want_identity) {
    if (!send_identity()) return 0;
    want_identity = 0;
  } else if (want_command_notice) {
    if (!send_notice(" command")) return 0;
    want_command_notice = 0;
  } else if (want_pong) {
    if (!send_pong()) return 0;
    want_pong = 0;
  } else return 0;
  return 1;
}

static void link_init(void) {
  count_boot();
  UCSR0A = _BV(U2X0); // before UBRR0L: the emulator takes the time of a byte when that is written
  UBRR0H = 0;
  UBRR0L = BAUD_DIVISOR;
  UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
  UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
  TCCR1A = 0;
  TCCR1B = _BV(ICNC1) | _BV(CS11); // capture on falling edges behind the noise canceller; 2 MHz
  TIMSK1 = _BV(TOIE1);
  set_sleep_mode(SLEEP_MODE_IDLE);
  beat_us = now_us();
}

// Sleeps until the next interrupt unless something has stirred since the main loop last set that to 0. The look takes a
// few cycles only: while interrupts are off an edge waits for its stamp.
static void rest(void) {
  cli(); // nothing may stir between the look and the sleep
  if (!stirred) {
    sleep_enable();
    sei(); // takes effect after the next instruction
    sleep_cpu();
    sleep_disable();
  }
  sei();
}
