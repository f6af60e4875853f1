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
    static uint8_t begun;
    int32_t counts[STATION_CHANNELS];
    uint32_t time_us;

    if (!begun) {
        begun = 1;
        bridge_came(&pace, board_time_us());
        board_bridge_listen(1);
    }
    if (board_bridge_ready(&time_us)) {
        counts[1] = board_displacement_when_ready();
        board_bridge_listen(0);
        counts[0] = bridge_read();
        board_bridge_listen(1);
        /* A line that is stuck falls as often as noise says: its samples come by the clock. */
        if (counts[0] == TAUTPOINT_MISSING) {
            return;
        }
        bridge_came(&pace, time_us);
    } else if (bridge_overdue(&pace, board_time_us(), &time_us)) {
        counts[0] = TAUTPOINT_MISSING;
        counts[1] = board_displacement();
    } else {
        return;
    }
    (void)station_take(&STATION, time_us, counts);
    board_alive();
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
