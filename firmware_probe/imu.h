// SPDX-License-Identifier: MIT
// The two-wire bus over the wire, and the inertial sensor's stream.
#pragma once
#include "catalogue.h"
#include "hw.h"

HW_APART void imu_poll(void);
bool imu_busy(void);
