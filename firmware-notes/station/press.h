/* A press that is compiled in, for trying out and proving a board without a converter: integers only.
 *
 * A hand leans onto tissue, holds, springs three times and leaves, every twelve seconds. The tissue is 1.6 N/mm up to
 * 8.2 mm and 11 N/mm beyond, with 0.15 N·s/mm of damping. Noise has a standard deviation of about 0.1 N and 0.01 mm.
 */
#ifndef STATION_PRESS_H
#define STATION_PRESS_H

#include <stdint.h>

#define PRESS_ONSET_UM 8200L
#define PRESS_TAKE_UP_MN_PER_MM 1600L
#define PRESS_END_FEEL_MN_PER_MM 11000L
#define PRESS_DAMPING_MN_S_PER_MM 150L
#define PRESS_LASTS_US 12000000UL

/* Force in mN and displacement in µm without noise. */
void press_at(uint32_t time_us, int32_t *counts);
/* The same with noise, which goes on from `state`. */
void press_noisy(uint32_t time_us, uint32_t *state, int32_t *counts);

#endif
