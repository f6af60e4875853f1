/* Runs the AVR firmware in libsimavr, with the sensors of a station around it, and gives its line as a pseudo-terminal.
 *
 * Time is the processor's cycle counter; faults are given in its seconds. With --speed it goes as fast against this
 * computer's clock (1 is as a device would), without it as fast as it can.
 */
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <pty.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "avr_adc.h"
#include "avr_ioport.h"
#include "avr_spi.h"
#include "avr_uart.h"
#include "sim_avr.h"
#include "sim_cycle_timers.h"
#include "sim_elf.h"
#include "sim_interrupts.h"
#include "sim_io.h"
#include "sim_time.h"

#include "../station/press.h"

#define HZ 16000000.0
#define RAM_BEGIN 0x100
#define RAM_END 0x8FF
#define PAINT 0xA5

struct span {
    double from, to;
};

static const char USAGE[] =
    "runner --elf FILE [options]; times in seconds of the device, spans as FROM:TO\n"
    "  --seconds N         how long; 10\n"
    "  --speed N           times this computer's clock; as fast as it goes when left out\n"
    "  --link PATH         makes a pseudo-terminal, found under this name; waits until somebody opens it\n"
    "  --out FILE          keeps the bytes that were sent\n"
    "  --log FILE          keeps cycle and inputs of every conversion\n"
    "  --trace FILE        plays columns time_s, force_n and displacement_mm; else the press that is compiled in\n"
    "  --per-count N MM    what a count is; 0.001 0.005\n"
    "  --noise N MM        standard deviation of what sensors add; 0 0\n"
    "  --bridge HZ         the bridge converter's own rate; 80\n"
    "  --bridge-jitter US  most that a conversion of it lasts longer or less; 0\n"
    "  --full-mm MM        way of the analogue displacement; 20\n"
    "  --busy SPAN --unplugged SPAN --stuck SPAN      of the converter; stuck is held low\n"
    "  --glitches SPAN     the bridge converter's data line falls for 5 us, 30 times a second\n"
    "  --waiting           the converters went on while the controller was off: a conversion waits, of the second input\n"
    "  --questions SPAN --garbage SPAN --half SPAN    bytes from the computer, as many as the line carries\n"
    "  --brown-out AT      the supply breaks down; memory is lost\n"
    "  --stop-timer AT     the sampling timer stands still\n";

static struct {
    const char *elf, *link, *out, *log, *trace;
    double seconds, speed, n_per_count, mm_per_count, noise_n, noise_mm, bridge_hz, bridge_jitter_us, full_mm;
    struct span busy, unplugged, stuck, glitches, questions, garbage, half;
    double brown_out, stop_timer;
    int waiting;
} option = {.seconds = 10, .n_per_count = 0.001, .mm_per_count = 0.005, .bridge_hz = 80, .full_mm = 20};

static avr_t *avr;
static FILE *sent, *conversions;
static int terminal = -1;
static uint64_t bytes_sent, bytes_dropped, resets;

static void fail(const char *words, ...)
{
    va_list list;

    va_start(list, words);
    vfprintf(stderr, words, list);
    va_end(list);
    fputc('\n', stderr);
    exit(2);
}

static double now_s(void)
{
    return (double)avr->cycle / HZ;
}

static int within(struct span s)
{
    return now_s() >= s.from && now_s() < s.to;
}

/* ---- What is measured of intervals: number, mean, least, most, standard deviation. */

struct spread {
    uint64_t n;
    double sum, squares, least, most;
};

static void count_in(struct spread *s, double v)
{
    if (s->n == 0 || v < s->least) {
        s->least = v;
    }
    if (s->n == 0 || v > s->most) {
        s->most = v;
    }
    s->n++;
    s->sum += v;
    s->squares += v * v;
}

static void tell(const char *name, const struct spread *s, double per)
{
    double mean = s->n ? s->sum / (double)s->n : 0;
    double variance = s->n ? s->squares / (double)s->n - mean * mean : 0;

    printf("%s n %llu mean %.4f sd %.4f least %.4f most %.4f\n", name, (unsigned long long)s->n, mean / per,
           sqrt(variance > 0 ? variance : 0) / per, s->least / per, s->most / per);
}

/* ---- What the sensors see. */

static double (*rows)[3];
static size_t row_count;

static void load_trace(const char *path)
{
    char line[512];
    size_t room = 0;
    FILE *file = fopen(path, "r");

    if (!file || !fgets(line, sizeof line, file)) {
        fail("%s: no trace", path);
    }
    if (strncmp(line, "time_s,force_n,displacement_mm", 30) != 0) {
        fail("%s: expected the columns time_s,force_n,displacement_mm", path);
    }
    while (fgets(line, sizeof line, file)) {
        if (row_count == room) {
            double(*more)[3] = realloc(rows, (room ? 2 * room : 4096) * sizeof *rows);

            if (!more) {
                fail("%s: no memory for it", path);
            }
            rows = more;
            room = room ? 2 * room : 4096;
        }
        if (sscanf(line, "%lf,%lf,%lf", &rows[row_count][0], &rows[row_count][1], &rows[row_count][2]) != 3) {
            fail("%s: a row that is none: %s", path, line);
        }
        row_count++;
    }
    fclose(file);
    if (row_count < 2) {
        fail("%s: no rows", path);
    }
}

/* Force in N and displacement in mm. */
static void sensed(double at_s, double *n, double *mm)
{
    static size_t i;
    int32_t counts[2];
    double share;

    if (!rows) {
        press_at((uint32_t)(at_s > 0 ? at_s * 1e6 : 0), counts);
        *n = counts[0] / 1000.0;
        *mm = counts[1] / 1000.0;
        return;
    }
    while (i + 2 < row_count && rows[i + 1][0] < at_s) {
        i++;
    }
    while (i > 0 && rows[i][0] > at_s) {
        i--;
    }
    share = (at_s - rows[i][0]) / (rows[i + 1][0] - rows[i][0]);
    share = share < 0 ? 0 : share > 1 ? 1 : share;
    *n = rows[i][1] + share * (rows[i + 1][1] - rows[i][1]);
    *mm = rows[i][2] + share * (rows[i + 1][2] - rows[i][2]);
}

static double uniform(void)
{
    static uint64_t x = 88172645463325252ull;

    x ^= x << 13;
    x ^= x >> 7;
    x ^= x << 17;
    return (double)(x >> 11) / 9007199254740992.0;
}

/* Twelve even numbers: a standard deviation of 1, no tail beyond 6. */
static double normal(void)
{
    double sum = -6;
    int i;

    for (i = 0; i < 12; i++) {
        sum += uniform();
    }
    return sum;
}

static int32_t limited(double counts, int32_t most)
{
    double whole = round(counts);

    return whole > most ? most : whole < -(double)most - 1 ? -most - 1 : (int32_t)whole;
}

/* Holds a pin at a level from outside. To libsimavr that is two things: the level now, and what it is when the firmware writes to
 * the port, where the pin would else follow its own resistor. */
static void hold(avr_irq_t *pin, char port, int bit, int level)
{
    static uint8_t held[2], levels[2];
    int at = port == 'B' ? 0 : 1;
    avr_ioport_external_t from_outside;

    held[at] |= (uint8_t)(1 << bit);
    levels[at] = (uint8_t)(level ? levels[at] | 1 << bit : levels[at] & ~(1 << bit));
    from_outside.name = (unsigned long)port;
    from_outside.mask = held[at];
    from_outside.value = levels[at];
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &from_outside);
    avr_raise_irq(pin, (uint32_t)level);
}

/* ---- Bridge converter: its value is the mean over the conversion, ready at its end. */

static struct {
    avr_irq_t *data;
    uint64_t next, before, clock_rose, last_ready;
    uint32_t bits;
    int at, reading, clock, off;
    struct spread intervals, clock_high;
} bridge;

static void data_line(int level)
{
    if (within(option.unplugged)) {
        level = 1;
    } else if (within(option.stuck)) {
        level = 0;
    }
    hold(bridge.data, 'B', 0, level);
}

static void bridge_converts(void)
{
    double period = HZ / option.bridge_hz + (2 * uniform() - 1) * option.bridge_jitter_us * HZ / 1e6;
    double begin = (double)bridge.before / HZ, lasts = (double)(avr->cycle - bridge.before) / HZ;
    double sum = 0, n, mm;
    int i;

    for (i = 0; i < 16; i++) {
        sensed(begin + lasts * (i + 0.5) / 16, &n, &mm);
        sum += n / 16;
    }
    bridge.before = avr->cycle;
    bridge.next = avr->cycle + (uint64_t)period;
    if (within(option.busy) || bridge.off) {
        bridge.off = 0;
        return;
    }
    if (bridge.reading) {
        /* Read too late: the value is lost. */
        return;
    }
    bridge.bits = (uint32_t)limited((sum + option.noise_n * normal()) / option.n_per_count, 0x7FFFFF) & 0xFFFFFF;
    bridge.at = 0;
    /* A value that nobody read is replaced, and the line stays low: no edge tells of the new one. */
    data_line(0);
    sensed(now_s(), &n, &mm);
    /* The clock line is an output: the firmware has this converter. */
    if (conversions && (avr->data[0x24] & 2) && !within(option.unplugged) && !within(option.stuck)) {
        fprintf(conversions, "%llu %.6f %llu %.6f\n", (unsigned long long)avr->cycle, sum,
                (unsigned long long)avr->cycle, mm);
    }
    if (bridge.last_ready) {
        count_in(&bridge.intervals, (double)(avr->cycle - bridge.last_ready));
    }
    bridge.last_ready = avr->cycle;
}

static void bridge_clock(struct avr_irq_t *irq, uint32_t level, void *param)
{
    (void)irq;
    (void)param;
    if (level && !bridge.clock) {
        bridge.clock_rose = avr->cycle;
        bridge.reading = 1;
        data_line(bridge.at < 24 ? (int)(bridge.bits >> (23 - bridge.at)) & 1 : 1);
        bridge.at++;
    } else if (!level && bridge.clock) {
        double high = (double)(avr->cycle - bridge.clock_rose);

        count_in(&bridge.clock_high, high);
        if (high > 60e-6 * HZ) {
            bridge.off = 1;
        }
        if (bridge.at >= 25) {
            bridge.reading = 0;
        }
    }
    bridge.clock = (int)level;
}

/* ---- SPI converter with two inputs: selecting it holds the input. */

static struct {
    avr_irq_t *in;
    uint64_t held[2], begun;
    int selected, byte, input, next;
    unsigned number;
    uint8_t answer[3];
    struct spread intervals, apart;
} two;

static void two_selected(struct avr_irq_t *irq, uint32_t level, void *param)
{
    double n, mm, value;
    int32_t count;

    (void)irq;
    (void)param;
    if (level || two.selected) {
        two.selected = !level;
        return;
    }
    two.selected = 1;
    two.byte = 0;
    two.input = two.next;
    sensed(now_s(), &n, &mm);
    value = two.input ? (mm + option.noise_mm * normal()) / option.mm_per_count
                      : (n + option.noise_n * normal()) / option.n_per_count;
    count = limited(value, 0x7FFF);
    two.answer[0] = (uint8_t)(0xA0 | two.input | (within(option.busy) ? 2 : 0));
    two.answer[1] = (uint8_t)(count >> 8);
    two.answer[2] = (uint8_t)count;
    two.held[two.input] = avr->cycle;
    two.number++;
    if (two.input == 0) {
        /* The first one is thrown away, and not at its time. */
        if (two.number > 3) {
            count_in(&two.intervals, (double)(avr->cycle - two.begun));
        }
        two.begun = avr->cycle;
    } else {
        count_in(&two.apart, (double)(avr->cycle - two.held[0]));
        if (conversions) {
            fprintf(conversions, "%llu %.6f %llu %.6f\n", (unsigned long long)two.held[0], n,
                    (unsigned long long)avr->cycle, mm);
        }
    }
}

static void two_heard(struct avr_irq_t *irq, uint32_t byte, void *param)
{
    (void)irq;
    (void)param;
    if (two.byte == 0) {
        two.next = byte == 0xC0;
    }
    avr_raise_irq(two.in, within(option.stuck)                          ? 0x00
                          : within(option.unplugged) || two.byte > 2 ? 0xFF
                                                                     : two.answer[two.byte]);
    two.byte++;
}

/* libsimavr gives every byte of SPI 100 µs, whatever its clock: the byte that has just begun gets what the divider says. */
static void two_begins(struct avr_t *of, avr_io_addr_t address, uint8_t byte, void *param)
{
    static const unsigned shift[8] = {2, 4, 6, 7, 1, 3, 5, 6};
    uint64_t in_100_us = of->cycle + avr_usec_to_cycles(of, 100);
    unsigned divider = (unsigned)(of->data[0x4C] & 3) | ((of->data[0x4D] & 1u) << 2);
    avr_cycle_timer_slot_p slot;

    (void)address;
    (void)byte;
    (void)param;
    for (slot = of->cycle_timers.timer; slot; slot = slot->next) {
        if (slot->when == in_100_us) {
            avr_cycle_timer_t timer = slot->timer;
            void *with = slot->param;

            avr_cycle_timer_cancel(of, timer, with);
            avr_cycle_timer_register(of, 8u << shift[divider], timer, with);
            return;
        }
    }
}

/* ---- Displacement. */

static avr_irq_t *way_lines[2], *analogue;
static int64_t way_counts;

/* A step at a time, every 20 µs at most. */
static void way_moves(void)
{
    static const int first[4] = {0, 1, 1, 0}, second[4] = {0, 0, 1, 1};
    double n, mm;
    int64_t target, before = way_counts;

    sensed(now_s(), &n, &mm);
    target = (int64_t)floor((mm + option.noise_mm * normal()) / option.mm_per_count + 0.5);
    if (target == way_counts) {
        return;
    }
    way_counts += target > way_counts ? 1 : -1;
    if (first[way_counts & 3] != first[before & 3]) {
        hold(way_lines[0], 'D', 2, first[way_counts & 3]);
    } else {
        hold(way_lines[1], 'D', 3, second[way_counts & 3]);
    }
}

static void analogue_asked(struct avr_irq_t *irq, uint32_t value, void *param)
{
    double n, mm, mv;

    (void)irq;
    (void)value;
    (void)param;
    sensed(now_s(), &n, &mm);
    /* A few mV of noise, as any amplifier has: a mean then knows more than a step. */
    mv = 5000 * mm / option.full_mm + 3 * normal();
    avr_raise_irq(analogue, (uint32_t)(mv < 0 ? 0 : mv));
}

/* ---- Line. */

static avr_irq_t *line_in;
static uint8_t waiting[65536];
static size_t waiting_count;

static int nobody_listens(void)
{
    struct pollfd p = {.fd = terminal, .events = POLLOUT};

    return poll(&p, 1, 0) > 0 && (p.revents & POLLHUP);
}

static void hand_over(void)
{
    size_t done = 0;

    while (terminal >= 0 && done < waiting_count) {
        ssize_t n;

        if (nobody_listens()) {
            bytes_dropped += waiting_count - done;
            break;
        }
        n = write(terminal, waiting + done, waiting_count - done);
        if (n > 0) {
            done += (size_t)n;
        } else if (errno == EAGAIN) {
            struct pollfd p = {.fd = terminal, .events = POLLOUT};

            (void)poll(&p, 1, 100);
        } else {
            bytes_dropped += waiting_count - done;
            break;
        }
    }
    waiting_count = 0;
}

static void line_sent(struct avr_irq_t *irq, uint32_t byte, void *param)
{
    (void)irq;
    (void)param;
    bytes_sent++;
    if (sent) {
        fputc((int)byte, sent);
    }
    if (terminal >= 0) {
        waiting[waiting_count++] = (uint8_t)byte;
        if (waiting_count == sizeof waiting) {
            hand_over();
        }
    }
}

/* One byte's time went by on the line to the device. */
static void line_hears(void)
{
    static uint8_t from[64];
    static ssize_t have, at;
    static const char half[] = "\n#tautpoint\n";
    static unsigned phase;

    if (within(option.questions)) {
        avr_raise_irq(line_in, phase++ & 1 ? '\n' : '?');
    } else if (within(option.garbage)) {
        avr_raise_irq(line_in, (uint32_t)(uniform() * 256));
    } else if (within(option.half)) {
        avr_raise_irq(line_in, (uint8_t)half[phase++ % (sizeof half - 1)]);
    } else if (terminal >= 0) {
        if (at >= have) {
            static uint64_t looked;

            if (avr->cycle < looked + (uint64_t)(HZ / 1000)) {
                return;
            }
            looked = avr->cycle;
            have = read(terminal, from, sizeof from);
            at = 0;
        }
        if (at < have) {
            avr_raise_irq(line_in, from[at++]);
        }
    }
}

static void open_terminal(void)
{
    struct termios raw;
    char name[256];
    int slave;

    if (openpty(&terminal, &slave, name, NULL, NULL) != 0) {
        fail("no pseudo-terminal: %s", strerror(errno));
    }
    tcgetattr(slave, &raw);
    cfmakeraw(&raw);
    tcsetattr(slave, TCSANOW, &raw);
    /* Opened and closed once, it tells when somebody else has it open. */
    close(slave);
    fcntl(terminal, F_SETFL, fcntl(terminal, F_GETFL) | O_NONBLOCK);
    unlink(option.link);
    if (symlink(name, option.link) != 0) {
        fail("%s: %s", option.link, strerror(errno));
    }
    while (nobody_listens()) {
        usleep(5000);
    }
}

/* ---- Interrupts, by their number. */

#define VECTORS 26
static struct {
    uint64_t began;
    struct spread cycles;
} interrupts[VECTORS];

static void interrupt_runs(struct avr_irq_t *irq, uint32_t value, void *param)
{
    size_t v = (size_t)param;

    (void)irq;
    if (value) {
        interrupts[v].began = avr->cycle;
    } else if (interrupts[v].began) {
        count_in(&interrupts[v].cycles, (double)(avr->cycle - interrupts[v].began));
        interrupts[v].began = 0;
    }
}

/* ---- All together. */

/* Low, and said before the firmware asks: a low level itself would be an interrupt, as long as it has not said which edges are. */
static void rest_lines(void)
{
    avr_ioport_external_t low = {.name = 'D', .mask = 0x0C, .value = 0};

    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &low);
}

static void connect_all(void)
{
    uint32_t flags = 0;
    size_t v;

    bridge.data = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 1), bridge_clock, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 2), two_selected, NULL);
    two.in = avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_OUTPUT), two_heard, NULL);
    avr_register_io_write(avr, 0x4E, two_begins, NULL);
    way_lines[0] = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 2);
    way_lines[1] = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 3);
    analogue = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), analogue_asked, NULL);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    line_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), line_sent, NULL);
    for (v = 1; v < VECTORS; v++) {
        avr_irq_t *irq = avr_get_interrupt_irq(avr, (uint8_t)v);

        if (irq) {
            avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, interrupt_runs, (void *)v);
        }
    }
    data_line(!option.waiting);
    two.next = option.waiting;
    rest_lines();
}

/* Of the controller: converters have a supply of their own, and go on. */
static void brown_out(void)
{
    int i;

    avr_reset(avr);
    for (i = RAM_BEGIN; i <= RAM_END; i++) {
        avr->data[i] = (uint8_t)(uniform() * 256);
    }
}

/* The data line falls for 5 us while no conversion waits and none is read. Whether it does now. */
static void glitch(void)
{
    static uint64_t next, until;

    if (until && avr->cycle >= until) {
        until = 0;
        if (bridge.at >= 25) {
            hold(bridge.data, 'B', 0, 1);
        }
    } else if (!until && within(option.glitches) && avr->cycle >= next && bridge.at >= 25 && !bridge.reading) {
        next = avr->cycle + (uint64_t)(HZ / 30);
        until = avr->cycle + (uint64_t)(5e-6 * HZ);
        hold(bridge.data, 'B', 0, 0);
    }
}

static int deepest_stack(void)
{
    int at = RAM_END, clean = 0;

    while (at > RAM_BEGIN && clean < 24) {
        clean = avr->data[at] == PAINT ? clean + 1 : 0;
        at--;
    }
    return RAM_END - at - clean;
}

static void keep_pace(struct timespec began)
{
    struct timespec now;
    double ahead;

    clock_gettime(CLOCK_MONOTONIC, &now);
    ahead = now_s() / option.speed - ((double)(now.tv_sec - began.tv_sec) + (double)(now.tv_nsec - began.tv_nsec) / 1e9);
    if (ahead > 0) {
        usleep((useconds_t)(ahead * 1e6));
    }
}

/* A byte lasts ten bits of what the firmware has set. */
static uint64_t byte_cycles(void)
{
    unsigned divider = (unsigned)(avr->data[0xC4] | (avr->data[0xC5] << 8)) + 1u;

    return (avr->data[0xC0] & 2 ? 8u : 16u) * 10u * divider;
}

static void run(void)
{
    uint64_t end = (uint64_t)(option.seconds * HZ), next_ms = 0, next_way = 0, next_byte = 0, event;
    uint64_t out_at = option.brown_out > 0 ? (uint64_t)(option.brown_out * HZ) : UINT64_MAX;
    uint64_t stop_at = option.stop_timer > 0 ? (uint64_t)(option.stop_timer * HZ) : UINT64_MAX;
    uint32_t last_pc = 1;
    struct timespec began;

    clock_gettime(CLOCK_MONOTONIC, &began);
    bridge.next = (uint64_t)(HZ / option.bridge_hz);
    event = 0;
    while (avr->cycle < end) {
        int state = avr_run(avr);

        if (state == cpu_Done || state == cpu_Crashed) {
            fail("the processor stopped at %.6f s, pc %#x", now_s(), avr->pc);
        }
        if (avr->pc == 0 && last_pc != 0 && avr->cycle > 100) {
            resets++;
        }
        last_pc = avr->pc;
        if (option.glitches.to > 0) {
            glitch();
        }
        if (avr->cycle < event) {
            continue;
        }
        if (avr->cycle >= bridge.next) {
            bridge_converts();
        }
        if (avr->cycle >= next_way) {
            way_moves();
            next_way = avr->cycle + (uint64_t)(20e-6 * HZ);
        }
        if (avr->cycle >= next_byte) {
            line_hears();
            next_byte = avr->cycle + byte_cycles();
        }
        if (avr->cycle >= out_at) {
            brown_out();
            out_at = UINT64_MAX;
        }
        if (avr->cycle >= stop_at) {
            avr->data[0x6F] = 0;
            stop_at = UINT64_MAX;
        }
        if (avr->cycle >= next_ms) {
            next_ms = avr->cycle + (uint64_t)(HZ / 1000);
            hand_over();
            if (option.speed > 0) {
                keep_pace(began);
            }
        }
        event = next_byte < next_way ? next_byte : next_way;
        event = event < bridge.next ? event : bridge.next;
    }
    hand_over();
}

static void report(void)
{
    size_t v;

    printf("cycles %llu\nbytes %llu\nbytes_without_reader %llu\nresets %llu\nstack %d\n", (unsigned long long)avr->cycle,
           (unsigned long long)bytes_sent, (unsigned long long)bytes_dropped, (unsigned long long)resets, deepest_stack());
    if (two.intervals.n) {
        tell("interval_us", &two.intervals, HZ / 1e6);
        tell("apart_us", &two.apart, HZ / 1e6);
    } else {
        tell("interval_us", &bridge.intervals, HZ / 1e6);
        tell("clock_high_us", &bridge.clock_high, HZ / 1e6);
    }
    for (v = 1; v < VECTORS; v++) {
        if (interrupts[v].cycles.n) {
            char name[32];

            snprintf(name, sizeof name, "vector_%zu_cycles", v);
            tell(name, &interrupts[v].cycles, 1);
        }
    }
}

static void span(const char *text, struct span *s)
{
    if (sscanf(text, "%lf:%lf", &s->from, &s->to) != 2) {
        fail("%s is no span FROM:TO", text);
    }
}

static void read_options(int count, char **words)
{
    static const struct {
        const char *name;
        double *number;
        const char **text;
        struct span *span;
    } known[] = {
        {"--elf", NULL, &option.elf, NULL},
        {"--link", NULL, &option.link, NULL},
        {"--out", NULL, &option.out, NULL},
        {"--log", NULL, &option.log, NULL},
        {"--trace", NULL, &option.trace, NULL},
        {"--seconds", &option.seconds, NULL, NULL},
        {"--speed", &option.speed, NULL, NULL},
        {"--bridge", &option.bridge_hz, NULL, NULL},
        {"--bridge-jitter", &option.bridge_jitter_us, NULL, NULL},
        {"--full-mm", &option.full_mm, NULL, NULL},
        {"--brown-out", &option.brown_out, NULL, NULL},
        {"--stop-timer", &option.stop_timer, NULL, NULL},
        {"--busy", NULL, NULL, &option.busy},
        {"--unplugged", NULL, NULL, &option.unplugged},
        {"--stuck", NULL, NULL, &option.stuck},
        {"--glitches", NULL, NULL, &option.glitches},
        {"--questions", NULL, NULL, &option.questions},
        {"--garbage", NULL, NULL, &option.garbage},
        {"--half", NULL, NULL, &option.half},
    };
    int i = 1;
    size_t k;

    while (i < count && (i + 1 < count || !strcmp(words[i], "--waiting"))) {
        if (!strcmp(words[i], "--per-count") && i + 2 < count) {
            option.n_per_count = atof(words[i + 1]);
            option.mm_per_count = atof(words[i + 2]);
            i += 3;
            continue;
        }
        if (!strcmp(words[i], "--noise") && i + 2 < count) {
            option.noise_n = atof(words[i + 1]);
            option.noise_mm = atof(words[i + 2]);
            i += 3;
            continue;
        }
        if (!strcmp(words[i], "--waiting")) {
            option.waiting = 1;
            i++;
            continue;
        }
        for (k = 0; k < sizeof known / sizeof known[0] && strcmp(words[i], known[k].name) != 0; k++) {
        }
        if (k == sizeof known / sizeof known[0]) {
            break;
        }
        if (known[k].number) {
            *known[k].number = atof(words[i + 1]);
        } else if (known[k].text) {
            *known[k].text = words[i + 1];
        } else {
            span(words[i + 1], known[k].span);
        }
        i += 2;
    }
    if (i < count || !option.elf) {
        fail("%s", USAGE);
    }
}

int main(int count, char **words)
{
    static elf_firmware_t firmware;

    read_options(count, words);
    if (elf_read_firmware(option.elf, &firmware) != 0) {
        fail("%s: no firmware", option.elf);
    }
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr) {
        fail("this libsimavr knows no atmega328p");
    }
    avr_init(avr);
    avr->log = LOG_NONE;
    firmware.frequency = (uint32_t)HZ;
    avr_load_firmware(avr, &firmware);
    avr->frequency = (uint32_t)HZ;
    avr->vcc = avr->avcc = avr->aref = 5000;
    memset(avr->data + RAM_BEGIN, PAINT, RAM_END - RAM_BEGIN + 1);
    if (option.trace) {
        load_trace(option.trace);
    }
    sent = option.out ? fopen(option.out, "wb") : NULL;
    conversions = option.log ? fopen(option.log, "w") : NULL;
    if ((option.out && !sent) || (option.log && !conversions)) {
        fail("a file cannot be made: %s", strerror(errno));
    }
    connect_all();
    if (option.link) {
        open_terminal();
    }
    run();
    report();
    if ((sent && fclose(sent) != 0) || (conversions && fclose(conversions) != 0)) {
        fail("a file is not whole: %s", strerror(errno));
    }
    /* A reader shall see all of it before the terminal goes away. */
    if (terminal >= 0) {
        usleep(300000);
        unlink(option.link);
    }
    return 0;
}
