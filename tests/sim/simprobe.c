// SPDX-License-Identifier: GPL-3.0-or-later
// This one file links libsimavr, which is under the GPL; it is a program of its own and no part of feelgauge.
//
// Runs the firmware of a probe on an emulated ATmega328P at 16 MHz. Its serial port is a pseudo-terminal, its pins follow
// a schedule.
//   simprobe FIRMWARE.elf [-s SCHEDULE] [-e EEPROM] [-l LINK] [-x SPEED] [-t SECONDS] [-k SECONDS] [-q SLICE_US] [-o wait|drop] [-w] [-r]
//   -s  schedule, see below                      -e  file that keeps the EEPROM from run to run
//   -l  symbolic link to the pseudo-terminal     -x  emulated seconds per second; 0 = as fast as it goes (1)
//   -t  emulated seconds to run                  -k  end after so many real seconds, whatever happens
//   -q  serial bytes leave in bursts of so many emulated us, as through a USB converter (1000)
//   -o  reader too slow: wait = hold emulated time, drop = lose bytes (wait)
//   -w  hold emulated time at 0 until the port is opened          -r  each later opening resets the chip (as DTR does)
// Schedule: one event a line, ascending times in emulated us:
//   T adc CHANNEL MILLIVOLT    T pin PORTBIT 0|1 (B0, D2...)    T flip N (one bit in each of the next N bytes sent)
//   T await N (hold emulated time until the host has sent N bytes, then give them to the chip)    T reset    T unplug
// With an `await` in the schedule host bytes reach the chip nowhere else: the run is then the same to the byte each time.
// Prints "READY <path>" when the port can be opened, "CLOSED" whenever it has seen that nobody has it open any more; one
// line of JSON statistics on stderr at the end.
#define _GNU_SOURCE
#include <fcntl.h>
#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>
#include "avr_adc.h"
#include "avr_eeprom.h"
#include "avr_ioport.h"
#include "avr_uart.h"
#include "sim_avr.h"
#include "sim_elf.h"

enum { CLOCK_HZ = 16000000, EEPROM_BYTES = 1024 };
enum { RUNNING, SIGNALLED, UNPLUGGED, CRASHED };

struct options {
  const char *firmware, *schedule, *eeprom, *link;
  double speed, seconds;
  int slice_us, hold, reset_on_open, drop;
};
static struct options opt = {.speed = 1, .seconds = 1e9, .slice_us = 1000};

struct event {
  avr_cycle_count_t at;
  enum { ADC, PIN, FLIP, AWAIT, RESET, UNPLUG } kind;
  int a, b, c;
};
static struct event *events;
static size_t event_count, event_next;
static int has_await;

static avr_t *avr;
static avr_irq_t *uart_in;
static int pty, uart_full, flips, opened, want_reset;
static volatile sig_atomic_t stop;
static unsigned char out[1 << 16], in[4096];
static size_t out_n, in_n, in_next;
static unsigned long sent, lost, unheard, received;
static double paced_from_s, worst_lag_s;
static avr_cycle_count_t paced_from_cycle;

static double wall_s(void) {
  struct timespec t;
  clock_gettime(CLOCK_MONOTONIC, &t);
  return t.tv_sec + t.tv_nsec * 1e-9;
}

// Emulated time was held: pace from here.
static void pace_from_here(void) {
  paced_from_s = wall_s();
  paced_from_cycle = avr->cycle;
}

static int somebody_listens(void) {
  struct pollfd p = {pty, 0, 0};
  poll(&p, 1, 0);
  return !(p.revents & POLLHUP);
}

static void die(const char *what) {
  perror(what);
  exit(2);
}

// ---- Serial bytes

static void on_uart_out(struct avr_irq_t *irq, uint32_t value, void *param) {
  (void)irq, (void)param;
  if (flips > 0) flips--, value ^= 0x10;
  if (out_n < sizeof out) out[out_n++] = value;
  else lost++;
}

static void on_uart_full(struct avr_irq_t *irq, uint32_t value, void *param) {
  (void)irq, (void)param;
  uart_full = value != 0;
}

// 1 when the reader has taken everything that was written, -1 when its side cannot be looked at (opened for it alone).
// The poll makes the kernel hand over what is still on its way; asking for the number of bytes would not.
static int all_read(void) {
  struct pollfd reader = {open(ptsname(pty), O_RDWR | O_NOCTTY | O_NONBLOCK), POLLIN, 0};
  if (reader.fd < 0) return -1;
  int waiting = poll(&reader, 1, 0);
  close(reader.fd);
  return waiting == 0;
}

// Waits for the reader; 0 when there is none (any more).
static int wait_for_reader(void) {
  for (int looks = 0; !stop && somebody_listens(); looks++) {
    int read = all_read();
    if (read == 1 || (read < 0 && looks >= 1000)) return 1;
    usleep(200);
    pace_from_here();
  }
  return 0;
}

// Never more on its way than fits the reader's buffer: beyond that the kernel holds bytes back where nobody can see them,
// and they would die unseen with the port.
static void flush_out(void) {
  enum { MOST_UNREAD = 2048 };
  static size_t unread;
  size_t done = 0;
  if (!opened) unheard += out_n, out_n = 0; // a real port hands nothing to nobody
  while (done < out_n && !stop) {
    size_t part = out_n - done < MOST_UNREAD ? out_n - done : MOST_UNREAD;
    if (unread + part > MOST_UNREAD) {
      if (all_read() == 0 && (opt.drop || !wait_for_reader())) break;
      unread = 0;
    }
    ssize_t n = write(pty, out + done, part);
    if (n > 0) done += n, sent += n, unread += n;
    else if (errno != EINTR && (errno != EAGAIN || opt.drop || !wait_for_reader())) break;
  }
  lost += out_n - done;
  out_n = 0;
}

// A closed port forgets what was not read; a pseudo-terminal would keep it for the next opening.
static void forget_unread(void) {
  int reader = open(ptsname(pty), O_RDWR | O_NOCTTY | O_NONBLOCK);
  tcflush(pty, TCOFLUSH);
  tcflush(reader, TCIFLUSH);
  close(reader);
}

static void read_host(void) {
  if (in_next == in_n) in_next = in_n = 0;
  ssize_t n = read(pty, in + in_n, sizeof in - in_n);
  if (n > 0) in_n += n, received += n;
}

static void give_to_chip(size_t most) {
  while (most-- && in_next < in_n && !uart_full) avr_raise_irq(uart_in, in[in_next++]);
}

static void await_host(size_t bytes) {
  flush_out();
  for (read_host(); !stop && in_n - in_next < bytes; read_host()) {
    struct pollfd p = {pty, POLLIN, 0};
    poll(&p, 1, 20);
    if (p.revents & POLLHUP) usleep(2000);
  }
  give_to_chip(bytes);
  pace_from_here();
}

// ---- Schedule

static void set_pin(int port, int bit, int level) {
  static unsigned char mask[128], value[128];
  mask[port] |= 1 << bit;
  value[port] = (value[port] & ~(1 << bit)) | (level ? 1 << bit : 0);
  // Without this, simavr 1.6 puts a pulled-up pin back to high at each later write to the port.
  avr_ioport_external_t external = {.name = port, .mask = mask[port], .value = value[port]};
  avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &external);
  avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), bit), level);
}

static avr_cycle_count_t on_event(struct avr_t *a, avr_cycle_count_t when, void *param) {
  (void)when, (void)param;
  while (event_next < event_count && events[event_next].at <= a->cycle) {
    struct event *e = &events[event_next++];
    switch (e->kind) {
      case ADC: avr_raise_irq(avr_io_getirq(a, AVR_IOCTL_ADC_GETIRQ, e->a), e->b); break;
      case PIN: set_pin(e->a, e->b, e->c); break;
      case FLIP: flips += e->a; break;
      case AWAIT: await_host(e->a); break;
      case RESET: want_reset = 1; break;
      case UNPLUG: stop = UNPLUGGED; break;
    }
  }
  return event_next < event_count ? events[event_next].at : 0;
}

static avr_cycle_count_t slice_cycles(void) { return (avr_cycle_count_t)opt.slice_us * (CLOCK_HZ / 1000000); }

// A sleeping chip is advanced to its next event in one step: this one is there so that no step is longer than a slice.
static avr_cycle_count_t on_slice(struct avr_t *a, avr_cycle_count_t when, void *param) {
  (void)a, (void)param;
  return when + slice_cycles();
}

static void arm_events(void) {
  avr_cycle_timer_register(avr, slice_cycles(), on_slice, 0);
  if (event_next == event_count) return;
  avr_cycle_count_t at = events[event_next].at;
  avr_cycle_timer_register(avr, at > avr->cycle ? at - avr->cycle : 1, on_event, 0);
}

static int parse_event(const char *line, struct event *e) {
  double t_us;
  char kind[16], port;
  int at = 0;
  if (sscanf(line, "%lf %15s%n", &t_us, kind, &at) != 2 || t_us < 0) return 0;
  e->at = t_us * (CLOCK_HZ / 1e6) + 0.5;
  line += at;
  if (!strcmp(kind, "adc")) return e->kind = ADC, sscanf(line, "%d %d", &e->a, &e->b) == 2 && e->a >= 0 && e->a < 8;
  if (!strcmp(kind, "pin")) {
    int ok = sscanf(line, " %c%d %d", &port, &e->b, &e->c) == 3 && port >= 'B' && port <= 'D' && e->b >= 0 && e->b < 8;
    return e->kind = PIN, e->a = port, ok;
  }
  if (!strcmp(kind, "flip")) return e->kind = FLIP, sscanf(line, "%d", &e->a) == 1 && e->a > 0;
  if (!strcmp(kind, "await")) return has_await = 1, e->kind = AWAIT, sscanf(line, "%d", &e->a) == 1 && e->a > 0 && e->a < 256;
  if (!strcmp(kind, "reset")) return e->kind = RESET, 1;
  return e->kind = UNPLUG, !strcmp(kind, "unplug");
}

static void load_schedule(const char *path) {
  FILE *f = fopen(path, "r");
  if (!f) die(path);
  char line[160];
  size_t room = 0;
  for (unsigned n = 1; fgets(line, sizeof line, f); n++) {
    if (*line == '#' || *line == '\n') continue;
    if (event_count == room) events = realloc(events, (room = room ? room * 2 : 1024) * sizeof *events);
    if (!events) die("schedule");
    struct event e = {0};
    if (!parse_event(line, &e) || (event_count && e.at < events[event_count - 1].at)) {
      fprintf(stderr, "simprobe: %s:%u: not an event, or out of order\n", path, n);
      exit(2);
    }
    events[event_count++] = e;
  }
  fclose(f);
}

// ---- Chip

static void no_sleep(struct avr_t *a, avr_cycle_count_t n) { (void)a, (void)n; } // pacing is done below

static void on_log(struct avr_t *a, const int level, const char *format, va_list args) {
  (void)a;
  if (level <= LOG_WARNING) vfprintf(stderr, format, args);
}

static void move_eeprom(int save) {
  static uint8_t cells[EEPROM_BYTES];
  avr_eeprom_desc_t all = {.ee = cells, .offset = 0, .size = sizeof cells};
  if (!opt.eeprom) return;
  FILE *f = fopen(opt.eeprom, save ? "wb" : "rb");
  if (!f && save) die(opt.eeprom);
  if (!f) return; // the first run: erased
  if (save) avr_ioctl(avr, AVR_IOCTL_EEPROM_GET, &all);
  size_t n = save ? fwrite(cells, 1, sizeof cells, f) : fread(cells, 1, sizeof cells, f);
  if (n == sizeof cells && !save) avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &all);
  fclose(f);
}

static void make_chip(void) {
  avr_global_logger_set(on_log);
  static elf_firmware_t firmware;
  if (elf_read_firmware(opt.firmware, &firmware)) {
    fprintf(stderr, "simprobe: cannot load %s\n", opt.firmware);
    exit(2);
  }
  avr = avr_make_mcu_by_name("atmega328p");
  if (!avr) {
    fprintf(stderr, "simprobe: this libsimavr lacks the atmega328p\n");
    exit(2);
  }
  avr_init(avr);
  avr->log = LOG_WARNING;
  avr_load_firmware(avr, &firmware);
  avr->frequency = CLOCK_HZ;
  avr->vcc = avr->avcc = avr->aref = 5000;
  avr->sleep = no_sleep;
  uint32_t flags = 0; // no echo to stdout, no sleep when the firmware polls the port
  avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
  uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_uart_out, 0);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XOFF), on_uart_full, 0);
  move_eeprom(0);
}

static void reset_chip(void) {
  avr_cycle_count_t now = avr->cycle;
  avr_reset(avr);
  avr->cycle = now;
  want_reset = 0;
  out_n = 0;
  arm_events();
}

// ---- Pseudo-terminal

static void make_port(void) {
  pty = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
  if (pty < 0 || grantpt(pty) || unlockpt(pty)) die("pseudo-terminal");
  struct termios raw;
  tcgetattr(pty, &raw);
  cfmakeraw(&raw); // else it echoes
  tcsetattr(pty, TCSANOW, &raw);
  close(open(ptsname(pty), O_RDWR | O_NOCTTY)); // from now on POLLHUP means that nobody has it open
  tcsetattr(pty, TCSANOW, &raw);
  if (opt.link) {
    unlink(opt.link);
    if (symlink(ptsname(pty), opt.link)) die(opt.link);
  }
  printf("READY %s\n", ptsname(pty));
  fflush(stdout);
}

// ---- Running

static void keep_pace(void) {
  if (opt.speed <= 0) return;
  double due = paced_from_s + (avr->cycle - paced_from_cycle) / (opt.speed * CLOCK_HZ), lag = wall_s() - due;
  if (lag > worst_lag_s) worst_lag_s = lag;
  if (lag >= 0) return;
  struct timespec t = {(time_t)due, (long)((due - (time_t)due) * 1e9)};
  clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, 0);
}

static void run_slice(avr_cycle_count_t end) {
  while (avr->cycle < end && !stop) {
    int state = avr_run(avr);
    if (state == cpu_Done || state == cpu_Crashed) {
      fprintf(stderr, "simprobe: the firmware stopped (state %d)\n", state);
      stop = CRASHED;
    }
  }
  int listens = somebody_listens();
  if ((listens && !opened && opt.reset_on_open) || want_reset) reset_chip();
  if (opened && !listens) {
    forget_unread();
    puts("CLOSED");
    fflush(stdout);
  }
  opened = listens;
  flush_out();
  if (!has_await) {
    read_host();
    give_to_chip(sizeof in);
  }
  keep_pace();
}

static void run(void) {
  while (opt.hold && !stop && !somebody_listens()) usleep(1000);
  opened = somebody_listens();
  arm_events();
  double start = wall_s();
  pace_from_here();
  avr_cycle_count_t slice = slice_cycles(), last = opt.seconds * CLOCK_HZ;
  for (avr_cycle_count_t end = slice; !stop && end <= last; end += slice) run_slice(end);
  double wall = wall_s() - start, emulated = (double)avr->cycle / CLOCK_HZ;
  if (opened && !stop) wait_for_reader(); // unread bytes die when the port goes
  fprintf(stderr, "{\"emulated_s\":%.3f,\"wall_s\":%.3f,\"factor\":%.2f,\"lag_ms\":%.2f,\"sent\":%lu,\"lost\":%lu,\"unheard\":%lu,\"received\":%lu}\n",
          emulated, wall, emulated / wall, worst_lag_s * 1e3, sent, lost, unheard, received);
}

static void on_signal(int s) { (void)s, stop = SIGNALLED; }

static int parse_options(int argc, char **argv) {
  for (int c; (c = getopt(argc, argv, "s:e:l:x:t:k:q:o:wr")) != -1;) switch (c) {
      case 's': opt.schedule = optarg; break;
      case 'e': opt.eeprom = optarg; break;
      case 'l': opt.link = optarg; break;
      case 'x': opt.speed = atof(optarg); break;
      case 't': opt.seconds = atof(optarg); break;
      case 'k': alarm(atoi(optarg)); break;
      case 'q': opt.slice_us = atoi(optarg) > 0 ? atoi(optarg) : 1; break;
      case 'o': opt.drop = *optarg == 'd'; break;
      case 'w': opt.hold = 1; break;
      case 'r': opt.reset_on_open = 1; break;
      default: return 0;
    }
  opt.firmware = argv[optind];
  return optind == argc - 1;
}

int main(int argc, char **argv) {
  if (!parse_options(argc, argv)) {
    fprintf(stderr, "usage: simprobe FIRMWARE.elf [options]; they are explained at the top of the source\n");
    return 2;
  }
  prctl(PR_SET_PDEATHSIG, SIGTERM); // never outlive the test
  signal(SIGTERM, on_signal);
  signal(SIGINT, on_signal);
  signal(SIGPIPE, SIG_IGN);
  if (opt.schedule) load_schedule(opt.schedule);
  make_chip();
  make_port();
  run();
  move_eeprom(1);
  if (opt.link) unlink(opt.link);
  return stop == CRASHED;
}
