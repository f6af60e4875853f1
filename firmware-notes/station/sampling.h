/* What the timer's interrupt samples, for the boards. */
#ifndef STATION_SAMPLING_H
#define STATION_SAMPLING_H

#include "core.h"
#include "press.h"
#include "two_inputs.h"

static inline void sampling_tick(struct station *s, uint32_t time_us)
{
    int32_t counts[STATION_CHANNELS];
#ifdef SOURCE_PRESS
    static uint32_t noise = 1;

    press_noisy(time_us, &noise, counts);
#else
    two_inputs_read(counts);
#endif
    (void)station_take(s, time_us, counts);
}

#endif
