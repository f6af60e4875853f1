/* A station: samples of a converter, as frames. The board does the rest (board.h). */
#include "board.h"
#include "bridge.h"
#include "config.h"
#include "press.h"
#include "two_inputs.h"

static const struct tautpoint_channel CHANNELS[] = {
    {TAUTPOINT_FORCE, TAUTPOINT_NO_SIDE, FORCE_UNIT, FORCE_DIGITS, FORCE_POWER, FORCE_SENSOR, 0},
    {TAUTPOINT_DISPLACEMENT, TAUTPOINT_NO_SIDE, DISPLACEMENT_UNIT, DISPLACEMENT_DIGITS, DISPLACEMENT_POWER,
     DISPLACEMENT_SENSOR, 0},
};

/* Force alone is a station too. */
#ifdef DISPLACEMENT_NONE
#define SENT_CHANNELS 1
#else
#define SENT_CHANNELS 2
#endif

static const struct tautpoint_hello HELLO = {DEVICE_NAME, RATE_HZ * 1000UL, SENT_CHANNELS, CHANNELS};

static struct station STATION;

#ifdef SOURCE_BRIDGE

/* The data line wakes us, the bits are read here: a sampling interrupt that reads 24 of them would hold up all others. */
static void sample(void)
{
    static struct bridge_pace pace;
    static uint32_t last_us = FIRST_TIME_US;
    static uint8_t begun;
    int32_t counts[STATION_CHANNELS];
    uint32_t time_us;

    if (!begun) {
        begun = 1;
        /* A converter that went on while we were reset has waited since nobody knows when: that value is thrown away. */
        if (!board_bridge_data()) {
            (void)bridge_read();
        }
        bridge_came(&pace, board_time_us());
        board_bridge_listen(1);
    }
    /* Without a clock that goes on nothing is sampled, and the watchdog acts. */
    if (bridge_sample(&pace, counts, &time_us) && bridge_goes_on(&last_us, time_us)) {
        (void)station_take(&STATION, time_us, counts);
        board_alive();
    }
}

#else

/* The timer's interrupt samples (board.c); all that is left is to see that it goes on. */
static void sample(void)
{
    static uint16_t seen;

    if (STATION.next_to_send != seen) {
        seen = STATION.next_to_send;
        board_alive();
    }
}

#endif

int main(void)
{
    station_begin(&STATION, &HELLO, FIRST_TIME_US);
    board_begin(&STATION);
    for (;;) {
        sample();
        if (station_run(&STATION)) {
            board_send();
        }
        board_idle();
    }
}
