// SPDX-License-Identifier: MIT
// Switch edges, joystick samples, the board's own pull on its switch line. Edges go to the control loop first.
#pragma once
#include "catalogue.h"
#include "hw.h"

HW_APART void controls_fast(void);   // edges, at the head of every turn
HW_APART void controls_poll(void);
void controls_last(void);   // at the end of every turn
bool controls_use_adc(void);
void trace(uint8_t point, uint16_t value, uint32_t at);
void watch_function(uint8_t function, bool on);  // for the control loop, beside what the host watches
uint8_t stick_channel(uint8_t function);         // converter channel, HW_ADC_NONE without a pin
