// SPDX-License-Identifier: MIT
// The whole contract with the chip. Only the hw_*.cpp files include <avr/...>; everything else sees this.
//
// Interrupts only stamp, count and queue; the one exception is the guard's tick, which must not depend on the main
// loop. Times are ticks of 0.5 us, 32 bits, wrapping after 35.8 minutes; a chip at 8 MHz counts them in steps of two.
#pragma once
#include <stdint.h>

#if defined(__AVR__) && defined(ARDUINO)
// the usual IDE's own flags give a program that is too big; the Makefile says the same on the command line
#pragma GCC optimize("no-gcse", "no-split-wide-types", "no-inline-small-functions", "no-ipa-cp", \
                     "no-move-loop-invariants", "no-tree-fre", "no-early-inlining", "ira-algorithm=priority")
#endif
// One of two images from the same sources: what only pair boards need, and what only the gauge needs beside them.
#ifdef GAUGE_IMAGE
#define GAUGE 1
#else
#define GAUGE 0
#endif

#ifdef __AVR__
#define HW_FLASH __attribute__((progmem))
#ifdef ARDUINO
#define HW_FAST
#define HW_WHOLE 0  // what the usual IDE makes of it has no room for requests over the air, the sensor's stream and set-up
#else
#define HW_WHOLE !GAUGE
#define HW_FAST __attribute__((optimize("O2")))  // for the few functions that every packet goes through
#endif
#else
#define HW_FLASH
#define HW_FAST
#define HW_WHOLE 1
#endif

// own stack frame: what is inlined into the main loop would lie under every call chain
#define HW_APART __attribute__((noinline))

#define TICKS_PER_US 2UL
#define TICKS_PER_MS 2000UL

// ---- start, resets, memory (hw_reset.cpp, hw_memory.cpp)
struct HwReset {
  uint8_t flags;         // MCUSR as the program found it
  uint8_t loader;        // register r2 as it was handed on
};
void hw_start(void);                 // everything of the chip, interrupts on, watchdog running
HwReset hw_reset_flags(void);
void hw_watchdog_kick(void);
void hw_restart(bool jump) __attribute__((noreturn));  // through the watchdog, or by a jump to the start
uint16_t hw_stack_free(void);        // bytes between the data and the deepest stack so far
bool hw_stack_sound(void);           // the last bytes above the data are still painted
uint16_t hw_image_size(void);        // bytes of flash that the image takes from address 0
uint32_t hw_clock_hz(void);
extern bool hw_clock_right;          // the chip runs at it, by its watchdog's oscillator
void hw_signature(uint8_t *three);
void hw_fuses(uint8_t *four);       // low, lock bits, extended, high: in the order in which the chip has them
void hw_flash_read(void *to, const void *from, uint8_t size);  // `from` was declared HW_FLASH
uint8_t hw_flash_byte(uint16_t address);
#ifdef __AVR__
#define HW_NOINIT __attribute__((section(".noinit")))
#else
#define HW_NOINIT
#endif

// ---- time (hw_ticks.cpp, hw_stamp.cpp)
uint32_t hw_ticks(void);
uint32_t hw_ticks_held(void);        // the same where interrupts are already held
uint16_t hw_ms(void);                // milliseconds, wrapping
void hw_wait_us(uint8_t us);         // busy; only below 100 us
void hw_wait_tick(uint32_t tick);    // busy until then; leaves interrupts held as hw_hold_moment does, for what must
                                     // happen then and there
void hw_hold_moment(void);           // hold interrupts, unless one of them makes pulses, whose edges must not wait: on
                                     // such boards a moment is missed now and then, by what an edge takes
void hw_let_in(void);                // no longer held, whoever held them
bool hw_active(void);                // an interrupt has left work since the last call
void hw_sleep_until(uint32_t tick);  // until then or until an interrupt leaves work
uint8_t hw_hold(void);               // hold interrupts; give the answer to hw_release
void hw_release(uint8_t held);
void hw_hold_ms(void);               // hold the millisecond's work only, for what shares data with it; main loop only
void hw_release_ms(void);
HW_APART void hw_on_ms(uint32_t now);         // supplied from above, called by the 1 ms interrupt

// ---- serial line (hw_uart.cpp)
void hw_uart_start(uint8_t baud_code);
bool hw_uart_get(uint8_t *byte);
uint32_t hw_uart_frame_at(void);     // when the last frame's closing delimiter came in
uint16_t hw_uart_overruns(void);
uint8_t hw_uart_room(void);         // bytes that can be staged
extern uint8_t hw_tx_ring[256];      // its size is that of an 8-bit index
extern uint8_t hw_tx_staged;
inline __attribute__((always_inline)) uint8_t hw_uart_stage(uint8_t byte) {  // returns its place, for hw_uart_patch
  uint8_t place = hw_tx_staged;
  hw_tx_ring[place] = byte;
  hw_tx_staged = place + 1;
  return place;
}
inline void hw_uart_patch(uint8_t place, uint8_t byte) { hw_tx_ring[place] = byte; }
void hw_uart_commit(void);           // what is staged may go out
void hw_uart_drop(void);             // forget what is staged
bool hw_uart_sent(void);             // the last bit is out, or the last byte taken
extern bool hw_uart_diverted;
void hw_uart_divert(bool on);        // a frame has come another way than by the line: what is committed stays
                                     // in the ring, to be taken from there
uint8_t hw_uart_peek(uint8_t *to, uint8_t most);  // bytes of the diverted ring, oldest first; returns how many
void hw_uart_skip(uint8_t size);     // so many have arrived

// ---- pins (hw_pins.cpp, hw_pin.cpp); a pin is coded port << 4 | bit with B=1, C=2, D=3
bool hw_pin_exists(uint8_t pin);     // a digital pin that the probe may use
void hw_pin_input(uint8_t pin, bool pull_up);
void hw_pin_output(uint8_t pin, bool level);
void hw_pin_write(uint8_t pin, bool level);
// Drive low, or let go with the pull-up on; `up`: drive high, or let go without. Returns when.
uint32_t hw_pin_pull(uint8_t pin, bool pull, bool up);
bool hw_pin_read(uint8_t pin);
struct HwEdge {
  uint8_t pin, level;
  uint32_t at;
};
void hw_edge_watch(uint8_t pin, bool on);
bool hw_edge_waiting(void);
bool hw_edge_take(HwEdge *edge);
uint16_t hw_edges_lost(void);
void hw_radio_irq_bind(uint8_t pin);  // NO_PIN: none
bool hw_radio_irq_take(uint32_t *at);  // the line fell since the last call
bool hw_radio_irq_low(void);         // it is low, and no fall waits to be taken

// ---- SPI (hw_spi.cpp)
void hw_spi_bind(uint8_t csn, uint8_t ce, bool slowly);
void hw_spi_select(void);
uint8_t hw_spi_swap(uint8_t byte);
void hw_spi_release(void);
// Whole transactions of a command and `size` bytes; return the first byte in.
uint8_t hw_spi_send(uint8_t command, const uint8_t *data, uint8_t size);
uint8_t hw_spi_fetch(uint8_t command, uint8_t *data, uint8_t size);
uint8_t hw_spi_two(uint8_t first, uint8_t second, uint8_t *second_in);  // two bytes out and in, without a loop
void hw_ce(bool level);
uint32_t hw_ce_rise(void);           // raise CE; returns the tick at which it rose

// ---- EEPROM (hw_eeprom.cpp)
uint8_t hw_eeprom_read(uint16_t address);
bool hw_eeprom_ready(void);
void hw_eeprom_write(uint16_t address, uint8_t byte);  // only when ready; takes 3.4 ms in the background

// ---- converter (hw_adc.cpp)
#define HW_ADC_BAND_GAP 14
#define HW_ADC_NONE 0xFF
uint8_t hw_adc_channel(uint8_t pin);  // converter channel of a pin code, or HW_ADC_NONE
void hw_adc_select(uint8_t channel, uint8_t prescaler);  // prescaler: division 2^n, 2 to 7
uint8_t hw_adc_selected(void);
void hw_adc_begin(void);
bool hw_adc_done(void);
uint16_t hw_adc_value(void);
uint8_t hw_adc_precise(void);        // prescaler for an ADC clock of 125 kHz, where all 10 bits count

// ---- two-wire bus at 400 kHz or 100 kHz (hw_twi.cpp); each call ends within 2 ms even when a line is stuck. They return 0, else
// the status code it failed with, HW_TWI_LATE when the bus did not move.
#define HW_TWI_LATE 0xF8
#define HW_TWI_REFUSED 0xFF          // a pulse output owns one of its pins
uint8_t hw_twi_begin(bool slowly);     // bit set of TwiLines; frees a bus that a part holds
uint8_t hw_twi_probe(uint8_t address);
uint8_t hw_twi_write(uint8_t address, const uint8_t *data, uint8_t size);
uint8_t hw_twi_read(uint8_t address, uint8_t reg, uint8_t *data, uint8_t size);

// ---- pulse outputs, channels 1 to 6 (hw_pulse.cpp), and input capture (hw_capture.cpp); a width comes only through
// guard_output, see guard.h
#define HW_PULSES 6
void hw_pulse_unbind_all(void);      // pins low, no pulses
bool hw_pulse_possible(uint8_t pin);
bool hw_pulse_bind(uint8_t channel, uint8_t pin);
void hw_pulse_frame(uint16_t ticks);
uint16_t hw_pulse_width(uint8_t channel);              // ticks, of the next pulse; 0: none
struct HwCapture {
  uint32_t rise;
  uint16_t width;                    // ticks, 0xFFFF when longer
};
bool hw_level(uint8_t pin, uint16_t level);  // duty of level / 256, 0 to 256, on PD6 only (hw_level.cpp)
void hw_capture(bool on);
bool hw_capture_take(HwCapture *capture);
