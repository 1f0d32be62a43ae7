// SPDX-License-Identifier: MIT
// Switch edges. They go to the control loop first.
#pragma once
#include "catalogue.h"
#include "hw.h"

HW_APART void controls_fast(void);   // edges, at the head of every turn
void watch_function(uint8_t function, bool on);  // for the control loop, beside what the host watches
uint8_t stick_channel(uint8_t function);         // converter channel, HW_ADC_NONE without a pin
