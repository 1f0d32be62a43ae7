// SPDX-License-Identifier: MIT
// The reference control loop, to start an own firmware from.
//
// Hand unit: debounce the switches, sample the joystick, send at once when a switch changed and else at an interval.
// Craft unit: LED from switch 1, first servo channel from the joystick's x; every packet feeds the guard.
// Payload: number u16, buttons u8 (bit 0 switch 1 pressed, bit 1 switch 2), pair u8, x u16, y u16, low bytes first.
// A packet of another pair, or one that is no newer than the last, does nothing.
#pragma once
#include "catalogue.h"
#include "hw.h"

void loop_fast(void);    // radio, at the head of every turn
HW_APART void loop_poll(void);
void loop_edge(const HwEdge &edge);
bool loop_uses_radio(void);
bool loop_receives(void);  // the craft's, which takes packets of other lengths to the relay
bool loop_uses_adc(void);
