// SPDX-License-Identifier: MIT
// Pulse outputs, the guard's requests, capture, and loads that stay on.
#pragma once
#include "catalogue.h"
#include "hw.h"

void outputs_start(void);
void outputs_wire(void);     // pins, kinds or limits have changed: pulses off, guard idle, idle pulses on motor channels
HW_APART void outputs_poll(void);
bool outputs_use_radio(void);  // the transmit load is on
void outputs_tick(uint32_t now);  // every millisecond, in the interrupt
void outputs_loop_alive(void);
void outputs_control_packet(void);
void outputs_control_link(bool on);
bool outputs_resting(void);  // nothing is armed, challenged or being wired
bool outputs_wiring(void);   // what pulse outputs can emit may be changed now
bool outputs_servo(uint8_t channel, uint16_t ticks);  // false: not a confirmed servo output, or not now
void load_switch(uint8_t load, bool on, uint8_t strength);
bool load_possible(uint8_t load);
