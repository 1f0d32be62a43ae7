// SPDX-License-Identifier: MIT
// Everything that puts packets on the air for measurement: the link test, single packets, the energy scan.
//
// A link packet: number u16, test u8, filler. A ping is the same; its echo: number u16, arrival u32, turnaround u16.
#pragma once
#include "catalogue.h"
#include "hw.h"

void link_poll(void);   // the fast part: first thing in every turn
bool link_busy(void);
bool link_tight(void);  // an echo is due so soon that nothing else may begin
HW_APART void radio_poll(void);  // the slow part: single packets, scan, monitor
bool radio_busy(void);
void link_end(void);    // whatever is under way, without an answer
