/* Unit tests of what all boards share, on the computer that builds them, with the sanitizers on.
 *
 *   core_test                every test; says what failed
 *   core_test stream N       what a station sends of N samples, on standard output
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "../station/board.h"
#include "../station/bridge.h"
#include "../station/config.h"
#include "../station/core.h"
#include "../station/displacement.h"
#include "../station/press.h"
#include "../station/two_inputs.h"

static unsigned failures, checked;
#define CHECK(so)                                                  \
    do {                                                           \
        checked++;                                                 \
        if (!(so)) {                                               \
            failures++;                                            \
            fprintf(stderr, "%s:%d: %s\n", __func__, __LINE__, #so); \
        }                                                          \
    } while (0)

static const struct tautpoint_channel CHANNELS[] = {
    {TAUTPOINT_FORCE, TAUTPOINT_NO_SIDE, TAUTPOINT_N, 1, -3, "cell-4", 0},
    {TAUTPOINT_DISPLACEMENT, TAUTPOINT_NO_SIDE, TAUTPOINT_MM, 1, -3, "probe-2", 0},
};
static const struct tautpoint_hello HELLO = {"bench", 1000000UL, 2, CHANNELS};
static struct station station;

/* ---- A board of nothing but pins. */

static uint32_t bits;
static unsigned pulses, stuck, high_before, is_ready, listens;
static uint32_t now_us, ready_us;
static int32_t way, way_when_ready;
static uint8_t answers[2][3], selected, at, input, next_input;

uint8_t board_bridge_pulse(void)
{
    pulses++;
    if (stuck) {
        return 0;
    }
    if (pulses > 24) {
        return 1;
    }
    return (uint8_t)((bits >> (24 - pulses)) & 1u);
}

uint8_t board_bridge_data(void)
{
    return stuck ? 0 : (uint8_t)(pulses > 24 || (pulses == 0 && high_before));
}

uint8_t board_bridge_ready(uint32_t *time_us)
{
    *time_us = ready_us;
    return (uint8_t)is_ready;
}

void board_bridge_listen(uint8_t on)
{
    listens = on;
    if (on) {
        is_ready = 0;
    }
}

int32_t board_displacement_when_ready(void)
{
    return way_when_ready;
}

int32_t board_displacement(void)
{
    return way;
}

uint32_t board_time_us(void)
{
    return now_us;
}

void board_select(uint8_t on)
{
    if (on && !selected) {
        input = next_input;
        at = 0;
    }
    selected = on;
}

uint8_t board_exchange(uint8_t byte)
{
    if (at == 0) {
        next_input = byte == 0xC0u;
    }
    return selected && at < 3u ? answers[input][at++] : 0xFFu;
}

/* ---- What is sent, by frames. */

static uint8_t frame[700];

/* The next frame without its stuffing and its checksum, which must be right; 0 when there is none. */
static unsigned next_frame(void)
{
    unsigned length = 0, code = 0, left = 0;
    uint8_t byte;

    while (station_next_byte(&station, &byte)) {
        if (byte == 0 && code == 0) {
            continue;
        }
        if (byte == 0) {
            CHECK(left == 0);
            CHECK(length > 9 && tautpoint_crc16(0xFFFF, frame, (uint16_t)(length - 2)) ==
                                    (uint16_t)(frame[length - 2] | frame[length - 1] << 8));
            return length - 2;
        }
        if (left == 0) {
            if (code != 0 && code != 0xFF) {
                frame[length++] = 0;
            }
            code = byte;
            left = code - 1u;
        } else {
            frame[length++] = byte;
            left--;
        }
    }
    CHECK(length == 0);
    return 0;
}

static unsigned number(void)
{
    return frame[1] | (unsigned)frame[2] << 8;
}

static void take(uint32_t time_us)
{
    static const int32_t counts[] = {12345, -678};

    (void)station_take(&station, time_us, counts);
}

static void a_hello_goes_first_and_then_each_second(void)
{
    unsigned hellos = 0, samples = 0, i;
    uint32_t time_us = 0xFFFFFFFFUL - 1200000UL;

    station_begin(&station, &HELLO, time_us);
    for (i = 0; i < 2500; i++, time_us += 1000) {
        take(time_us);
        CHECK(station_run(&station) == 1);
        while (next_frame()) {
            CHECK(i != 0 || samples != 0 || hellos != 0 || frame[0] == 1);
            hellos += frame[0] == 1;
            samples += frame[0] == 2;
        }
        CHECK(station_run(&station) == 0);
    }
    CHECK(hellos == 3 && samples == 2500);
}

static void a_flood_of_questions_is_answered_ten_times_a_second(void)
{
    unsigned hellos = 0, samples = 0, i, k;

    station_begin(&station, &HELLO, 0);
    for (i = 0; i < 2000; i++) {
        for (k = 0; k < 50; k++) {
            station_heard(&station, (uint8_t)"?\n"[k & 1]);
        }
        take(1000UL * i);
        (void)station_run(&station);
        while (next_frame()) {
            hellos += frame[0] == 1;
            samples += frame[0] == 2;
        }
    }
    CHECK(samples == 2000 && hellos == 20);
}

static void garbage_and_half_a_command_mean_nothing(void)
{
    unsigned hellos = 0, i;

    station_begin(&station, &HELLO, 0);
    for (i = 0; i < 900; i++) {
        station_heard(&station, (uint8_t)(i % 256u == '?' ? 0 : i));
        station_heard(&station, (uint8_t)'\n');
        take(1000UL * i);
        (void)station_run(&station);
        while (next_frame()) {
            hellos += frame[0] == 1;
        }
    }
    CHECK(hellos == 1);
}

/* Nothing is taken off the line for a while: whole frames go, numbers go on. */
static void a_full_line_loses_whole_frames_and_numbers_tell(void)
{
    unsigned last = 0, found = 0, lost = 0, i;

    station_begin(&station, &HELLO, 0);
    for (i = 0; i < 70000; i++) {
        take(1000UL * i);
        (void)station_run(&station);
        if (i % 40 == 39 || i == 69999) {
            while (next_frame()) {
                if (frame[0] == 2) {
                    CHECK(found == 0 || number() != (last & 0xFFFFu));
                    lost += found ? (number() - last - 1u) & 0xFFFFu : number();
                    last = number();
                    found++;
                }
            }
            (void)station_run(&station);
        }
    }
    while (next_frame()) {
        lost += (number() - last - 1u) & 0xFFFFu;
        last = number();
        found++;
    }
    CHECK(found > 10000 && lost > 10000);
    CHECK(found + lost + ((69999u - last) & 0xFFFFu) == 70000);
}

static void a_line_at_its_limit_still_says_what_it_is(void)
{
    unsigned hellos = 0, samples = 0, i, k;
    uint8_t byte;

    station_begin(&station, &HELLO, 0);
    /* Half the bytes that would be needed. */
    for (i = 0; i < 10000; i++) {
        take(1000UL * i);
        (void)station_run(&station);
        for (k = 0; k < 10; k++) {
            static unsigned begun;

            if (!station_next_byte(&station, &byte)) {
                continue;
            }
            /* The second byte of a frame is its type, unless a zero stood there. */
            begun++;
            if (begun == 2) {
                hellos += byte == 1;
                samples += byte == 2;
            }
            begun = byte ? begun : 0;
        }
    }
    CHECK(hellos >= 10 && hellos <= 11 && samples > 4000 && samples < 6000);
}

static void a_ring_of_samples_that_is_full_drops_the_newest(void)
{
    unsigned i, found = 0;

    station_begin(&station, &HELLO, 0);
    for (i = 0; i < 40; i++) {
        take(1000UL * i);
    }
    (void)station_run(&station);
    while (next_frame()) {
        if (frame[0] == 2) {
            CHECK(number() == found);
            found++;
        }
        (void)station_run(&station);
    }
    CHECK(found >= 9 && found <= STATION_SAMPLES - 1u);
    take(40000);
    (void)station_run(&station);
    while (next_frame()) {
    }
    CHECK(number() == 40);
}

static void a_hello_that_cannot_be_said_does_not_stop_the_samples(void)
{
    static const struct tautpoint_channel wrong = {
        TAUTPOINT_FORCE, 0, 0, 1, 0, "a code that is longer than thirty-two bytes", 0};
    static const struct tautpoint_hello unsayable = {"bench", 1000, 1, &wrong};

    station_begin(&station, &unsayable, 0);
    take(0);
    (void)station_run(&station);
    CHECK(next_frame() && frame[0] == 2);
}

static int32_t bridge_gives(uint32_t value)
{
    bits = value;
    pulses = 0;
    return bridge_read();
}

static void a_bridge_converter_is_read_with_its_sign(void)
{
    stuck = 0;
    CHECK(bridge_gives(0) == 0);
    CHECK(bridge_gives(1) == 1);
    CHECK(bridge_gives(0xFFFFFE) == -2);
    CHECK(bridge_gives(0x7FFFFF) == 8388607);
    CHECK(bridge_gives(0x800000) == -8388608);
    CHECK(pulses == 24 + BRIDGE_FURTHER_PULSES);
    stuck = 1;
    CHECK(bridge_gives(0) == TAUTPOINT_MISSING);
    stuck = 0;
}

/* A line that is let go while it is read gives nothing but ones, one that fell for a moment is high again. */
static void a_glitch_of_the_data_line_is_no_value(void)
{
    CHECK(bridge_gives(0xFFFFFF) == TAUTPOINT_MISSING);
    high_before = 1;
    CHECK(bridge_gives(1234) == TAUTPOINT_MISSING);
    CHECK(pulses == 0);
    high_before = 0;
}

static uint8_t sampled(struct bridge_pace *pace, int32_t *counts, uint32_t *at_us, uint32_t value, int32_t displacement)
{
    bits = value;
    pulses = 0;
    is_ready = 1;
    ready_us = now_us;
    way_when_ready = displacement;
    return bridge_sample(pace, counts, at_us);
}

static void a_pulse_that_was_missed_is_told_though_the_force_was_none(void)
{
    struct bridge_pace pace = {0, 0};
    int32_t counts[2];
    uint32_t at_us;

    now_us = 1000000;
    bridge_came(&pace, now_us);
    now_us += PERIOD_US;
    CHECK(sampled(&pace, counts, &at_us, 7, 70) && counts[0] == 7 && counts[1] == 70 && at_us == now_us && listens);
    /* A glitch that took the flag of the displacement with it. */
    now_us += PERIOD_US / 2u;
    high_before = 1;
    CHECK(!sampled(&pace, counts, &at_us, 7, TAUTPOINT_MISSING));
    high_before = 0;
    now_us += PERIOD_US / 2u;
    CHECK(sampled(&pace, counts, &at_us, 8, 71) && counts[0] == 8 && counts[1] == TAUTPOINT_MISSING);
    now_us += PERIOD_US;
    CHECK(sampled(&pace, counts, &at_us, 9, 72) && counts[1] == 72);
    /* Or a line that is stuck: its samples come by the clock. */
    stuck = 1;
    now_us += PERIOD_US;
    CHECK(!sampled(&pace, counts, &at_us, 0, TAUTPOINT_MISSING));
    now_us += PERIOD_US / 2u;
    way = 73;
    CHECK(sampled(&pace, counts, &at_us, 0, 73) && counts[0] == TAUTPOINT_MISSING && counts[1] == TAUTPOINT_MISSING);
    now_us += PERIOD_US;
    CHECK(sampled(&pace, counts, &at_us, 0, 73) && counts[0] == TAUTPOINT_MISSING && counts[1] == 73);
    stuck = 0;
}

static void a_clock_that_stands_still_or_goes_back_does_not_go_on(void)
{
    uint32_t last = 0xFFFFFFFFUL - PERIOD_US / 2u;
    uint32_t then = last;

    CHECK(!bridge_goes_on(&last, then));
    CHECK(!bridge_goes_on(&last, then - 900u) && !bridge_goes_on(&last, then + 900u));
    CHECK(bridge_goes_on(&last, then + PERIOD_US) && last == (uint32_t)(then + PERIOD_US));
    CHECK(!bridge_goes_on(&last, then));
}

/* ---- A port with one bit of polarity a pin, as that of Arm's system design kit. */

static struct {
    uint32_t levels, rising, pending, moves_to;
    unsigned moves_in;
} port;

static void port_goes(uint32_t levels)
{
    uint32_t rose = levels & ~port.levels, fell = ~levels & port.levels;

    port.pending |= (rose & port.rising) | (fell & ~port.rising);
    port.levels = levels;
}

static uint32_t port_input(void)
{
    uint32_t seen = port.levels;

    /* A pin that moves just after it was looked at. */
    if (port.moves_in && --port.moves_in == 0) {
        port_goes(port.moves_to);
    }
    return seen;
}

static void port_waits_for_rise(uint32_t pins)
{
    port.rising |= pins;
}

static void port_waits_for_fall(uint32_t pins)
{
    port.rising &= ~pins;
}

static void port_clear(uint32_t pins)
{
    port.pending &= ~pins;
}

#include "../boards/cortex-m3/edges.h"

static struct quadrature followed;

static void follows(uint32_t levels)
{
    quadrature_changed(&followed, (uint8_t)levels);
}

static void every_edge_of_a_port_with_one_polarity_is_counted(void)
{
    static const uint8_t up[4] = {0, 1, 3, 2};
    int i, steps = 0;

    memset(&port, 0, sizeof port);
    quadrature_begin(&followed, 0);
    edges_follow(3, follows);
    for (i = 0; i < 4000; i++) {
        steps += i < 2500 ? 1 : -1;
        port_goes(up[steps & 3]);
        CHECK(port.pending != 0);
        /* Every third time the next step comes while this one is looked at. */
        if (i % 3 == 0) {
            steps += i < 2500 ? 1 : -1;
            port.moves_in = 1;
            port.moves_to = up[steps & 3];
        }
        edges_follow(3, follows);
        CHECK(followed.count == steps);
    }
    CHECK(quadrature_take(&followed) == steps && steps > 1000);
}

static void what_is_not_ready_is_a_gap_at_the_right_times(void)
{
    struct bridge_pace pace;
    uint32_t at_us = 0, begin = 0xFFFFFFFFUL - 20000UL, now;
    unsigned gaps = 0;

    bridge_came(&pace, begin);
    CHECK(!bridge_overdue(&pace, (uint32_t)(begin + PERIOD_US + PERIOD_US / 2u - 1u), &at_us));
    for (now = 0; now < 10 * PERIOD_US; now += 100) {
        if (bridge_overdue(&pace, (uint32_t)(begin + now), &at_us)) {
            gaps++;
            CHECK(at_us == (uint32_t)(begin + gaps * PERIOD_US));
        }
    }
    CHECK(gaps == 9);
    CHECK(!bridge_overdue(&pace, (uint32_t)(begin + 8 * PERIOD_US), &at_us));
    bridge_came(&pace, (uint32_t)(begin + 10 * PERIOD_US));
    CHECK(!bridge_overdue(&pace, (uint32_t)(begin + 11 * PERIOD_US), &at_us));
}

static void two_inputs_are_read_each_with_its_own_state(void)
{
    static const uint8_t good[2][3] = {{0xA0, 0x12, 0x34}, {0xA1, 0xFF, 0xFE}};
    int32_t counts[2];

    memcpy(answers, good, sizeof answers);
    two_inputs_read(counts);
    CHECK(counts[0] == 0x1234 && counts[1] == -2 && !selected);
    answers[0][1] = 0x80;
    answers[0][2] = 0;
    answers[1][0] = 0xA3;
    two_inputs_read(counts);
    CHECK(counts[0] == -32768 && counts[1] == TAUTPOINT_MISSING);
    memset(answers, 0xFF, sizeof answers);
    two_inputs_read(counts);
    CHECK(counts[0] == TAUTPOINT_MISSING && counts[1] == TAUTPOINT_MISSING);
    /* Held low, it gave two times 0 as though they were values. */
    memset(answers, 0, sizeof answers);
    two_inputs_read(counts);
    CHECK(counts[0] == TAUTPOINT_MISSING && counts[1] == TAUTPOINT_MISSING);
    /* After a reset of the controller alone the converter is at its second input. */
    memcpy(answers, good, sizeof answers);
    next_input = 1;
    two_inputs_read(counts);
    CHECK(counts[0] == TAUTPOINT_MISSING && counts[1] == -2);
    next_input = 1;
    two_inputs_begin();
    two_inputs_read(counts);
    CHECK(counts[0] == 0x1234 && counts[1] == -2);
}

static void quadrature_counts_both_ways_and_tells_what_it_missed(void)
{
    static const uint8_t up[4] = {0, 1, 3, 2};
    struct quadrature q;
    int i;

    quadrature_begin(&q, 0);
    for (i = 1; i <= 1001; i++) {
        quadrature_changed(&q, up[i & 3]);
    }
    CHECK(quadrature_take(&q) == 1001);
    for (i = 1000; i >= -1000; i--) {
        quadrature_changed(&q, up[i & 3]);
        quadrature_changed(&q, up[i & 3]);
    }
    CHECK(quadrature_take(&q) == -1000);
    quadrature_changed(&q, up[(-998) & 3]);
    CHECK(quadrature_take(&q) == TAUTPOINT_MISSING);
    CHECK(quadrature_take(&q) == -1000);
}

static void an_analogue_mean_has_six_more_bits(void)
{
    struct analogue a = {0, 0};
    unsigned i;

    CHECK(analogue_take(&a) == TAUTPOINT_MISSING);
    for (i = 0; i < 120; i++) {
        analogue_add(&a, i & 1u ? 513 : 512);
    }
    CHECK(analogue_take(&a) == 512 * 64 + 32);
    for (i = 0; i < 70000; i++) {
        analogue_add(&a, 1023);
    }
    CHECK(analogue_take(&a) == 1023 * 64);
}

/* Beside the law in floating point. */
static void the_press_that_is_compiled_in_follows_its_law(void)
{
    uint32_t time_us;
    int32_t before[2], now[2];
    int32_t most = 0;

    for (time_us = 0; time_us < 2 * PRESS_LASTS_US; time_us += 1000) {
        double x, speed, law;

        press_at(time_us, now);
        press_at(time_us ? time_us - 1000 : 0, before);
        x = now[1] / 1000.0;
        speed = (now[1] - before[1]) / 1.0;
        law = 1.6 * x + (x > 8.2 ? 9.4 * (x - 8.2) : 0) + 0.15 * speed;
        law = law > 0 ? law : 0;
        CHECK(now[0] / 1000.0 > law - 0.7 && now[0] / 1000.0 < law + 0.7);
        most = now[0] > most ? now[0] : most;
    }
    CHECK(most > 60000 && most < 61500);
}

static void stream(unsigned count)
{
    uint32_t time_us = 0xFFFFFFFFUL - 2000000UL, noise = 1;
    int32_t counts[2];
    uint8_t byte;

    station_begin(&station, &HELLO, time_us);
    while (count--) {
        press_noisy(time_us, &noise, counts);
        (void)station_take(&station, time_us, counts);
        (void)station_run(&station);
        while (station_next_byte(&station, &byte)) {
            (void)putchar(byte);
        }
        time_us += 1000;
    }
}

int main(int count, char **words)
{
    if (count == 3 && strcmp(words[1], "stream") == 0) {
        stream((unsigned)strtoul(words[2], 0, 10));
        return 0;
    }
    a_hello_goes_first_and_then_each_second();
    a_flood_of_questions_is_answered_ten_times_a_second();
    garbage_and_half_a_command_mean_nothing();
    a_full_line_loses_whole_frames_and_numbers_tell();
    a_line_at_its_limit_still_says_what_it_is();
    a_ring_of_samples_that_is_full_drops_the_newest();
    a_hello_that_cannot_be_said_does_not_stop_the_samples();
    a_bridge_converter_is_read_with_its_sign();
    a_glitch_of_the_data_line_is_no_value();
    a_pulse_that_was_missed_is_told_though_the_force_was_none();
    a_clock_that_stands_still_or_goes_back_does_not_go_on();
    every_edge_of_a_port_with_one_polarity_is_counted();
    what_is_not_ready_is_a_gap_at_the_right_times();
    two_inputs_are_read_each_with_its_own_state();
    quadrature_counts_both_ways_and_tells_what_it_missed();
    an_analogue_mean_has_six_more_bits();
    the_press_that_is_compiled_in_follows_its_law();
    printf("%u checks, %u failed\n", checked, failures);
    return failures ? 1 : 0;
}
