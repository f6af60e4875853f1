/* A 24-bit bridge converter that is read by a clock and a data line.
 *
 * Its data line falls when a conversion is ready. 24 pulses of the clock bring the bits, the highest first, in two's
 * complement; one to three more choose input and gain of the next conversion and let the data line rise. A clock that stays
 * high for more than some 50 µs switches it off. It converts by its own clock, 10 or 80 times a second.
 */
#ifndef STATION_BRIDGE_H
#define STATION_BRIDGE_H

#include <stdint.h>

/* Pulses after the 24 bits: 1 is the first input at its highest gain. */
#define BRIDGE_FURTHER_PULSES 1u

/* Reads a conversion that is ready. TAUTPOINT_MISSING when there is none to be read: the data line is high before the first
 * pulse (it was a glitch), all bits are 1 (the line was let go while they were read; a count of -1 is lost with it), or the line does not
 * rise after the last pulse (it is stuck). */
int32_t bridge_read(void);

/* When samples are due although nothing is ready: a converter that is busy or unplugged leaves gaps that are told. */
struct bridge_pace {
    uint32_t last_us;
    /* A displacement that was missed came with a conversion that was none: told with the next sample. */
    uint8_t owed;
};

/* A conversion was ready at this time. */
void bridge_came(struct bridge_pace *pace, uint32_t time_us);

/* Takes the sample that is due, if there is one: force and displacement, and for which time. */
uint8_t bridge_sample(struct bridge_pace *pace, int32_t *counts, uint32_t *time_us);

/* Whether a stamp lies far enough behind the last one that did: a clock that stands still or goes back must not go on. */
uint8_t bridge_goes_on(uint32_t *last_us, uint32_t time_us);

/* Whether a sample without a value is due, and for which time: a period after the last one, told half a period later, so
 * that a conversion that is only late never comes before it. */
uint8_t bridge_overdue(struct bridge_pace *pace, uint32_t now_us, uint32_t *time_us);

#endif
