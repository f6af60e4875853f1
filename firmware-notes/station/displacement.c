/* Displacement; see displacement.h. */
#include "displacement.h"

#include "../encoder.h"

const int8_t QUADRATURE_STEP[16] = {0, 1, -1, 2, -1, 0, 2, 1, 1, 2, 0, -1, 2, -1, 1, 0};

void quadrature_begin(struct quadrature *q, uint8_t lines)
{
    q->count = 0;
    q->missed = 0;
    q->lines = (uint8_t)(lines & 3u);
}

int32_t quadrature_take(struct quadrature *q)
{
    if (q->missed) {
        q->missed = 0;
        return TAUTPOINT_MISSING;
    }
    return q->count;
}

void analogue_add(struct analogue *a, uint16_t conversion)
{
    if (a->number < UINT16_MAX) {
        a->sum += conversion;
        a->number++;
    }
}

int32_t analogue_take(struct analogue *a)
{
    uint32_t mean;

    if (a->number == 0) {
        return TAUTPOINT_MISSING;
    }
    /* 65,535 conversions of 10 bits with six more bits fill 32 bits just so. */
    mean = ((a->sum << ANALOGUE_MORE_BITS) + a->number / 2u) / a->number;
    a->sum = 0;
    a->number = 0;
    return (int32_t)mean;
}
