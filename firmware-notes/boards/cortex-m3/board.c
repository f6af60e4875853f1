/* A 32-bit Cortex-M3 at 25 MHz with the peripherals of Arm's system design kit (CMSDK): the machine mps2-an385 of QEMU.
 *
 *   UART 0                  line to the computer
 *   port 0: 0, 1            bridge converter: data in, clock out
 *   port 0: 2, 3, 4, 5      SPI converter: select, out, in, clock (by program)
 *   port 0: 8, 9            displacement in quadrature
 *
 * QEMU models processor, line, ticks and watchdog, but no port: what is read by the port is built and has never run. For
 * another Cortex-M only the registers below change.
 */
#include <stddef.h>

#include "../../station/board.h"
#include "../../station/config.h"
#include "../../station/displacement.h"
#include "../../station/sampling.h"

#define CLOCK_HZ 25000000UL
#define TICKS_PER_US (CLOCK_HZ / 1000000UL)
#if !BAUD_IS_NEAR(CLOCK_HZ / (CLOCK_HZ / BAUD))
#error "this speed is more than 2.5 % off at 25 MHz: BAUD=250000, 500000 or 1000000 is exact"
#endif
#ifdef SOURCE_BRIDGE
#define TURN_US 1000UL
#else
#define TURN_US PERIOD_US
#endif
#define TURN_TICKS (TURN_US * TICKS_PER_US)

#define REGISTER(address) (*(volatile uint32_t *)(address))
#define SYSTICK_CONTROL REGISTER(0xE000E010UL)
#define SYSTICK_RELOAD REGISTER(0xE000E014UL)
#define SYSTICK_NOW REGISTER(0xE000E018UL)
#define INTERRUPT_STATE REGISTER(0xE000ED04UL)
#define SYSTICK_PENDING (1UL << 26)
#define RESET REGISTER(0xE000ED0CUL)
#define RESET_NOW 0x05FA0004UL
#define INTERRUPTS_ON REGISTER(0xE000E100UL)
#define UART_DATA REGISTER(0x40004000UL)
#define UART_STATE REGISTER(0x40004004UL)
#define UART_FULL 1UL
#define UART_CONTROL REGISTER(0x40004008UL)
#define UART_CLEAR REGISTER(0x4000400CUL)
#define UART_DIVIDER REGISTER(0x40004010UL)
#define WATCHDOG_LOAD REGISTER(0x40008000UL)
#define WATCHDOG_CONTROL REGISTER(0x40008008UL)
#define WATCHDOG_CLEAR REGISTER(0x4000800CUL)
#define WATCHDOG_LOCK REGISTER(0x40008C00UL)
#define WATCHDOG_KEY 0x1ACCE551UL
#define PORT_IN REGISTER(0x40010000UL)
#define PORT_OUT REGISTER(0x40010004UL)
#define PORT_OUTPUTS REGISTER(0x40010010UL)
#define PORT_INTERRUPTS_ON REGISTER(0x40010020UL)
#define PORT_INTERRUPTS_OFF REGISTER(0x40010024UL)
#define PORT_EDGES REGISTER(0x40010028UL)
#define PORT_RISING REGISTER(0x40010030UL)
#define PORT_FALLING REGISTER(0x40010034UL)
#define PORT_CLEAR REGISTER(0x40010038UL)
#define BRIDGE_DATA (1UL << 0)
#define BRIDGE_CLOCK (1UL << 1)
#define SPI_SELECT (1UL << 2)
#define SPI_OUT (1UL << 3)
#define SPI_IN (1UL << 4)
#define SPI_CLOCK (1UL << 5)
#define WAY_BIT 8u
#define WAY (3UL << WAY_BIT)

/* What the linker knows. */
extern uint32_t data_begin, data_end, bss_begin, bss_end, stack_top;
extern const uint32_t data_load;
int main(void);
void reset_handler(void);

static struct station *station;
static volatile uint32_t turn_us = FIRST_TIME_US;

static inline uint32_t lock(void)
{
    uint32_t before;

    __asm__ volatile("mrs %0, primask\n\tcpsid i" : "=r"(before)::"memory");
    return before;
}

static inline void unlock(uint32_t before)
{
    __asm__ volatile("msr primask, %0" ::"r"(before) : "memory");
}

/* With interrupts off. The counter counts down. */
static uint32_t now_us(void)
{
    uint32_t left = SYSTICK_NOW;

    if ((INTERRUPT_STATE & SYSTICK_PENDING) && left > TURN_TICKS / 2u) {
        return turn_us + TURN_US + (TURN_TICKS - 1u - left) / TICKS_PER_US;
    }
    return turn_us + (TURN_TICKS - 1u - left) / TICKS_PER_US;
}

uint32_t board_time_us(void)
{
    uint32_t before = lock();
    uint32_t now = now_us();

    unlock(before);
    return now;
}

/* ---- Displacement */

static struct quadrature way;

static inline uint32_t port_input(void)
{
    return PORT_IN;
}

static inline void port_waits_for_rise(uint32_t pins)
{
    PORT_RISING = pins;
}

static inline void port_waits_for_fall(uint32_t pins)
{
    PORT_FALLING = pins;
}

static inline void port_clear(uint32_t pins)
{
    PORT_CLEAR = pins;
}

#include "edges.h"

static void way_changed(uint32_t levels)
{
    quadrature_changed(&way, (uint8_t)(levels >> WAY_BIT));
}

int32_t board_displacement(void)
{
    uint32_t before = lock();
    int32_t now = quadrature_take(&way);

    unlock(before);
    return now;
}

/* ---- Converters */

static volatile uint8_t ready;
static volatile uint32_t ready_us;
static volatile int32_t ready_displacement;

uint8_t board_bridge_ready(uint32_t *time_us)
{
    if (!ready) {
        return 0;
    }
    *time_us = ready_us;
    return 1;
}

int32_t board_displacement_when_ready(void)
{
    return ready_displacement;
}

static void conversion_is_ready(uint32_t now)
{
    ready_us = now;
    ready_displacement = quadrature_take(&way);
    ready = 1;
}

void board_bridge_listen(uint8_t on)
{
    uint32_t before = lock();

    if (on) {
        PORT_CLEAR = BRIDGE_DATA;
        ready = 0;
        PORT_INTERRUPTS_ON = BRIDGE_DATA;
        if (!(PORT_IN & BRIDGE_DATA)) {
            conversion_is_ready(now_us());
        }
    } else {
        PORT_INTERRUPTS_OFF = BRIDGE_DATA;
    }
    unlock(before);
}

uint8_t board_bridge_data(void)
{
    return (uint8_t)(PORT_IN & BRIDGE_DATA);
}

/* A fifth of a µs either way. */
static void wait(void)
{
    __asm__ volatile("nop\n\tnop\n\tnop\n\tnop\n\tnop");
}

uint8_t board_bridge_pulse(void)
{
    uint32_t before = lock();
    uint8_t data;

    PORT_OUT |= BRIDGE_CLOCK;
    wait();
    data = board_bridge_data();
    PORT_OUT &= ~BRIDGE_CLOCK;
    unlock(before);
    wait();
    return data;
}

void board_select(uint8_t on)
{
    if (on) {
        PORT_OUT &= ~SPI_SELECT;
    } else {
        PORT_OUT |= SPI_SELECT;
    }
}

uint8_t board_exchange(uint8_t byte)
{
    uint32_t out = byte;
    uint8_t i;

    for (i = 0; i < 8u; i++) {
        PORT_OUT = (PORT_OUT & ~SPI_OUT) | (out & 0x80u ? SPI_OUT : 0u);
        out <<= 1;
        wait();
        PORT_OUT |= SPI_CLOCK;
        out |= (PORT_IN & SPI_IN) ? 1u : 0u;
        wait();
        PORT_OUT &= ~SPI_CLOCK;
    }
    return (uint8_t)(out & 0xFFu);
}

/* ---- Interrupts, all of one priority: none comes into another. */

static void tick_handler(void)
{
    uint32_t now = turn_us + TURN_US;

    turn_us = now;
#ifndef SOURCE_BRIDGE
    sampling_tick(station, now);
#endif
}

static void heard_handler(void)
{
    UART_CLEAR = 2u;
    station_heard(station, (uint8_t)(UART_DATA & 0xFFu));
}

static void send_next(void)
{
    uint8_t byte;

    while (!(UART_STATE & UART_FULL) && station_next_byte(station, &byte)) {
        UART_DATA = byte;
    }
}

static void sent_handler(void)
{
    UART_CLEAR = 1u;
    send_next();
}

static void port_handler(void)
{
    /* The time first: it is what the sample is stamped with. */
    uint32_t now = now_us();

    PORT_CLEAR = BRIDGE_DATA;
    edges_follow(WAY, way_changed);
    if (!board_bridge_data() && !ready) {
        conversion_is_ready(now);
    }
}

/* Whatever it was, and what the watchdog calls when half a second went by without a sample: begin anew. */
static void fault_handler(void)
{
    RESET = RESET_NOW;
    for (;;) {
    }
}

void board_send(void)
{
    /* The interrupt sends too: one at a time. */
    uint32_t before = lock();

    send_next();
    unlock(before);
}

void board_begin(struct station *s)
{
    station = s;
    PORT_OUT = SPI_SELECT;
    PORT_OUTPUTS = BRIDGE_CLOCK | SPI_SELECT | SPI_OUT | SPI_CLOCK;
    PORT_EDGES = WAY | BRIDGE_DATA;
    PORT_FALLING = BRIDGE_DATA;
    quadrature_begin(&way, (uint8_t)(PORT_IN >> WAY_BIT));
    edges_follow(WAY, way_changed);
    PORT_INTERRUPTS_ON = WAY;
#ifdef SOURCE_SPI
    two_inputs_begin();
#endif
    UART_DIVIDER = CLOCK_HZ / BAUD;
    UART_CONTROL = 0x0Fu;
    INTERRUPTS_ON = (1UL << 0) | (1UL << 1) | (1UL << 6);
    SYSTICK_RELOAD = TURN_TICKS - 1u;
    SYSTICK_NOW = 0;
    SYSTICK_CONTROL = 7u;
    WATCHDOG_LOCK = WATCHDOG_KEY;
    /* When it comes to nothing its interrupt, which nothing holds up, begins anew; a second time, it does so itself. */
    WATCHDOG_LOAD = CLOCK_HZ / 2u;
    WATCHDOG_CONTROL = 3u;
    __asm__ volatile("cpsie i" ::: "memory");
}

void board_idle(void)
{
    __asm__ volatile("wfi");
}

void board_alive(void)
{
    WATCHDOG_CLEAR = 1u;
}

void reset_handler(void)
{
    const uint32_t *from = &data_load;
    uint32_t *to;

    /* To C they are different objects, to the linker ends of one. */
    /* cppcheck-suppress comparePointers */
    for (to = &data_begin; to < &data_end; to++) {
        *to = *from++;
    }
    /* cppcheck-suppress comparePointers */
    for (to = &bss_begin; to < &bss_end; to++) {
        *to = 0;
    }
    (void)main();
    fault_handler();
}

typedef void (*handler)(void);
struct vectors {
    uint32_t *stack;
    handler system[15];
    handler device[7];
};

extern const struct vectors vectors;
const struct vectors vectors __attribute__((section(".vectors"), used)) = {
    &stack_top,
    {reset_handler, fault_handler, fault_handler, fault_handler, fault_handler, fault_handler, NULL, NULL, NULL, NULL,
     fault_handler, fault_handler, NULL, fault_handler, tick_handler},
    {heard_handler, sent_handler, NULL, NULL, NULL, NULL, port_handler},
};
