/* A press that is compiled in; see press.h. */
#include "press.h"

/* Where the hand is, in µm, at these times, in ms; between two of them it moves with the least jerk. */
struct place {
    uint16_t ms;
    uint16_t um;
};

static const struct place PATH[] = {
    {0, 0},        {1500, 0},     {4000, 10000}, {5500, 10000}, {5900, 12500},  {6300, 10000},  {6700, 12500},
    {7100, 10000}, {7500, 12500}, {7900, 10000}, {8700, 10000}, {10500, 0},     {12000, 0},
};

#define PLACES (sizeof PATH / sizeof PATH[0])
/* Shares are parts of 2^20. */
#define ONE_BITS 20

static int64_t times(int64_t a, int64_t b)
{
    return (a * b) / (1LL << ONE_BITS);
}

void press_at(uint32_t time_us, int32_t *counts)
{
    int64_t at_us = (int64_t)(time_us % PRESS_LASTS_US);
    uint8_t i = 1;
    int64_t from_us, lasts_us, way_um, u, u2, share, slope, x_nm, v_um_per_s, force_mn;

    while (i + 1u < PLACES && at_us >= (int64_t)PATH[i].ms * 1000) {
        i++;
    }
    from_us = (int64_t)PATH[i - 1].ms * 1000;
    lasts_us = (int64_t)PATH[i].ms * 1000 - from_us;
    way_um = (int64_t)PATH[i].um - (int64_t)PATH[i - 1].um;
    u = ((at_us - from_us) * (1LL << ONE_BITS)) / lasts_us;
    u2 = times(u, u);
    /* 10u³ − 15u⁴ + 6u⁵, and its slope 30u²(1 − u)². */
    share = times(times(u2, u), (10LL << ONE_BITS) - 15 * u + 6 * u2);
    slope = 30 * times(u2, (1LL << ONE_BITS) - 2 * u + u2);
    x_nm = (int64_t)PATH[i - 1].um * 1000 + times(share, way_um * 1000);
    v_um_per_s = (times(slope, way_um) * 1000000) / lasts_us;

    force_mn = PRESS_TAKE_UP_MN_PER_MM * x_nm;
    if (x_nm > PRESS_ONSET_UM * 1000) {
        force_mn += (PRESS_END_FEEL_MN_PER_MM - PRESS_TAKE_UP_MN_PER_MM) * (x_nm - PRESS_ONSET_UM * 1000);
    }
    force_mn = force_mn / 1000000 + (PRESS_DAMPING_MN_S_PER_MM * v_um_per_s) / 1000;
    counts[0] = (int32_t)(force_mn > 0 ? force_mn : 0);
    counts[1] = (int32_t)(x_nm / 1000);
}

/* A sum of four even numbers is nearly normal. Constants as in Numerical Recipes, from memory. */
static int32_t noise(uint32_t *state, int32_t sd)
{
    int32_t sum = 0;
    uint8_t i;

    for (i = 0; i < 4u; i++) {
        *state = (uint32_t)(*state * 1664525UL + 1013904223UL);
        sum += (int32_t)(*state >> 20) - 2048;
    }
    /* Four even numbers over 4,096 have a standard deviation of 2,365. */
    return (sum * sd) / 2365;
}

void press_noisy(uint32_t time_us, uint32_t *state, int32_t *counts)
{
    press_at(time_us, counts);
    counts[0] += noise(state, 100);
    counts[1] += noise(state, 10);
}
