// SPDX-License-Identifier: MIT
// The board's own pull on its switch line.
#pragma once

void stimulus_poll(void);
void stimulus_last(void);  // at the end of every turn
