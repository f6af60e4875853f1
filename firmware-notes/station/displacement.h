/* Displacement: two lines in quadrature, or the mean of an analogue input since the last sample. */
#ifndef STATION_DISPLACEMENT_H
#define STATION_DISPLACEMENT_H

#include <stdint.h>

struct quadrature {
    int32_t count;
    /* Both lines changed at once: a pulse was missed, and the way is not known. */
    uint8_t missed;
    uint8_t lines;
};

/* Lines: first in bit 0, second in bit 1. The first one leads when the count goes up. */
void quadrature_begin(struct quadrature *q, uint8_t lines);
/* The step from each pair of lines (bits 3 and 2) to the next one (bits 1 and 0): 00, 01, 11, 10 counts up; 2 is none. */
extern const int8_t QUADRATURE_STEP[16];

static inline void quadrature_changed(struct quadrature *q, uint8_t lines)
{
    uint8_t now = (uint8_t)(lines & 3u);
    int8_t step = QUADRATURE_STEP[((unsigned)q->lines << 2 | now) & 15u];

    q->lines = now;
    if (step == 2) {
        q->missed = 1;
    } else {
        q->count += step;
    }
}

/* The count; once TAUTPOINT_MISSING instead after a pulse was missed, so that a jump of the zero is told. */
int32_t quadrature_take(struct quadrature *q);

/* Sum of conversions; the mean comes with six more bits, since a mean of many knows more than one does. */
struct analogue {
    uint32_t sum;
    uint16_t number;
};

#define ANALOGUE_MORE_BITS 6u

void analogue_add(struct analogue *a, uint16_t conversion);
/* Takes the mean of all so far, and begins anew; TAUTPOINT_MISSING without any. */
int32_t analogue_take(struct analogue *a);

#endif
