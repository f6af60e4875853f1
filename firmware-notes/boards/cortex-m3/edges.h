/* Both edges of a pin whose interrupt knows but one at a time.
 *
 * The port has one bit of polarity a pin: set to 1 by one register (a rise), to 0 by another (a fall). Writing both leaves the last.
 * So each pin always waits for the edge that leads away from where it is, and is turned around after every edge. What
 * happens between the look at the level and the turning makes no interrupt: the level is looked at again until it stays.
 *
 * Who includes this has port_input(), port_waits_for_rise(), port_waits_for_fall() and port_clear(), each for a mask of pins.
 */
#ifndef EDGES_H
#define EDGES_H

#include <stdint.h>

/* Clears what is pending, tells `changed` each level that was met, and leaves every pin waiting for its next edge. */
static inline void edges_follow(uint32_t pins, void (*changed)(uint32_t levels))
{
    uint32_t levels = port_input() & pins;
    uint32_t before;

    do {
        before = levels;
        port_clear(pins);
        changed(before);
        port_waits_for_rise(pins & ~before);
        port_waits_for_fall(before);
        levels = port_input() & pins;
    } while (levels != before);
}

#endif
