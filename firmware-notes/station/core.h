/* The portable core of a station: samples in, whole frames out. No heap, no floating point, no clock of its own.
 *
 *   sampling ─ station_take ─▶ ring of samples ─ station_run ─▶ ring of bytes ─ station_next_byte ─▶ line
 *                                                    ▲ station_heard ◀─ line
 *
 * One writer and one reader at each ring, each index a single byte: nothing has to be locked on any processor that
 * stores a byte at once.
 */
#ifndef STATION_CORE_H
#define STATION_CORE_H

#include <stdint.h>

#include "../encoder.h"

#define STATION_CHANNELS 2u
/* Samples that may wait for the line. */
#define STATION_SAMPLES 16u
/* Bytes that may wait for the line: as many as an 8-bit index has values. */
#define STATION_BYTES 256u
/* The longest hello that finds room: two channels with short codes. */
#define STATION_HELLO_BYTES 160u
/* A hello comes by itself after so long, and to a `?` not sooner than that. */
#define STATION_HELLO_US 1000000UL
#define STATION_ANSWER_US 100000UL

/* What was written before it is there before what comes after it, as far as the compiler is concerned: indices are volatile,
 * what they point at is not. One processor needs no more. */
#define STATION_IN_ORDER() __asm__ __volatile__("" ::: "memory")

struct station_sample {
    uint32_t time_us;
    int32_t counts[STATION_CHANNELS];
    uint16_t sequence;
};

struct station {
    const struct tautpoint_hello *hello;
    struct station_sample samples[STATION_SAMPLES];
    uint8_t bytes[STATION_BYTES];
    uint8_t frame[STATION_HELLO_BYTES];
    uint32_t hello_us;
    /* Number of the next sample taken, and of the next one to be sent. */
    uint16_t sequence;
    uint16_t next_to_send;
    /* Indices: `in` of the writer, `out` of the reader. */
    volatile uint8_t samples_in;
    volatile uint8_t samples_out;
    volatile uint8_t bytes_in;
    volatile uint8_t bytes_out;
    volatile uint8_t asked;
    uint8_t hello_due;
};

/* Before everything else. The hello must outlive the station. */
void station_begin(struct station *s, const struct tautpoint_hello *hello, uint32_t time_us);

/* A sample was taken; TAUTPOINT_MISSING for a channel that has no value. Counted when it finds no room, too. Returns
 * whether it found room. */
uint8_t station_take(struct station *s, uint32_t time_us, const int32_t *counts);

/* A byte came from the computer. All but a `?`, and half of a command, means nothing; so does the line feed behind it.
 * This and station_next_byte() are short and in line: an interrupt that calls saves every register first. */
static inline void station_heard(struct station *s, uint8_t byte)
{
    if (byte == (uint8_t)'?') {
        s->asked = 1;
    }
}

/* Turns what waits into frames as far as they find room; for the main loop. Returns whether there are bytes to send. */
uint8_t station_run(struct station *s);

/* The next byte for the line; 0 when there is none. */
static inline uint8_t station_next_byte(struct station *s, uint8_t *byte)
{
    uint8_t out = s->bytes_out;

    if (out == s->bytes_in) {
        return 0;
    }
    STATION_IN_ORDER();
    *byte = s->bytes[out];
    STATION_IN_ORDER();
    s->bytes_out = (uint8_t)(out + 1u);
    return 1;
}

#endif
