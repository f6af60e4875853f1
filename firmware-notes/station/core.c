/* The portable core of a station; see core.h. */
#include "core.h"

#include <string.h>

void station_begin(struct station *s, const struct tautpoint_hello *hello, uint32_t time_us)
{
    memset(s, 0, sizeof *s);
    s->hello = hello;
    s->hello_us = time_us;
    s->hello_due = 1;
    /* A zero, which ends whatever a reset cut off, so that it does not take the first hello with it. */
    s->bytes_in = 1;
}

uint8_t station_take(struct station *s, uint32_t time_us, const int32_t *counts)
{
    uint8_t in = s->samples_in;
    uint8_t next = (uint8_t)((in + 1u) % STATION_SAMPLES);
    uint16_t sequence = s->sequence;
    uint8_t i;

    s->sequence = (uint16_t)(sequence + 1u);
    if (next == s->samples_out) {
        return 0;
    }
    s->samples[in].time_us = time_us;
    s->samples[in].sequence = sequence;
    for (i = 0; i < STATION_CHANNELS; i++) {
        s->samples[in].counts[i] = counts[i];
    }
    STATION_IN_ORDER();
    s->samples_in = next;
    return 1;
}

static uint8_t room(const struct station *s)
{
    uint8_t used = (uint8_t)(s->bytes_in - s->bytes_out);

    return (uint8_t)(STATION_BYTES - 1u - used);
}

/* Puts a frame into the ring of bytes, or nothing of it. */
static uint8_t send(struct station *s, uint16_t length)
{
    uint8_t in = s->bytes_in;
    uint16_t i;

    if (length == 0 || length > room(s)) {
        return 0;
    }
    for (i = 0; i < length; i++) {
        s->bytes[in] = s->frame[i];
        in++;
    }
    STATION_IN_ORDER();
    s->bytes_in = in;
    return 1;
}

/* A flood of questions is answered as one: the line belongs to the samples. */
static void answer(struct station *s, uint32_t time_us)
{
    uint32_t since = time_us - s->hello_us;

    if (since >= STATION_HELLO_US || (s->asked && since >= STATION_ANSWER_US)) {
        s->hello_due = 1;
    }
}

uint8_t station_run(struct station *s)
{
    while (s->samples_out != s->samples_in) {
        const struct station_sample *sample = &s->samples[s->samples_out];

        STATION_IN_ORDER();
        answer(s, sample->time_us);
        if (s->hello_due) {
            uint16_t length = tautpoint_hello(s->hello, s->next_to_send, sample->time_us, s->frame, STATION_HELLO_BYTES);

            if (send(s, length)) {
                s->asked = 0;
                s->hello_due = 0;
                s->hello_us = sample->time_us;
            } else if (length != 0) {
                /* It waits for room, and the samples behind it: a line at its limit would never say what it is. */
                break;
            } else {
                s->hello_due = 0;
            }
        }
        /* What finds no room is dropped whole: its number tells the reader. */
        (void)send(s, tautpoint_sample(sample->counts, s->hello->channels, sample->sequence, sample->time_us, s->frame,
                                       TAUTPOINT_SAMPLE_BYTES));
        s->next_to_send = (uint16_t)(sample->sequence + 1u);
        STATION_IN_ORDER();
        s->samples_out = (uint8_t)((s->samples_out + 1u) % STATION_SAMPLES);
    }
    return (uint8_t)(s->bytes_in != s->bytes_out);
}
