// SPDX-License-Identifier: MIT
// The probe: one program for hand unit, craft unit and gauge. Role, label, pins and radio settings come over the wire.
#include "probe.h"

void setup() { probe_start(); }

void loop() { probe_poll(); }
