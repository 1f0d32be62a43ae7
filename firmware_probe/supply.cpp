// SPDX-License-Identifier: MIT
#include "supply.h"
#include "life.h"
#include "probe.h"
#include "settings.h"

#define WATCH_MS 20
#define SETTLE_MS 2   // the band-gap behind the multiplexer is slow: its buffer drives the sample capacitor

static uint16_t last_mv;
static uint8_t due_ms;
static bool converting;
static uint16_t noise;

uint16_t supply_noise(void) { return noise; }

uint16_t supply_mv(void) { return last_mv; }

uint16_t millivolts(uint16_t reading) {
  if (reading == 0) return 0xFFFF;
  uint32_t mv = ((uint32_t)settings.bandgap_mv * 1024 + reading / 2) / reading;
  return mv > 0xFFFF ? 0xFFFF : mv;
}

static void take_reading(void) {
  converting = false;
  uint16_t reading = hw_adc_value();
  noise = (uint16_t)(noise << 3 | noise >> 13) ^ reading ^ (uint16_t)hw_ticks();
  last_mv = millivolts(reading);
  uint8_t held = hw_hold();
  if (last_mv < life.lowest_vcc_mv) life.lowest_vcc_mv = last_mv;
  hw_release(held);
}

void supply_poll(void) {
  uint8_t now = hw_ms();
  if (probe_taken() & USES_ADC) {
    converting = false;
    due_ms = now + WATCH_MS;
    return;
  }
  if (hw_adc_selected() != HW_ADC_BAND_GAP) {  // a look has converted: what there is now is not the supply
    hw_adc_select(HW_ADC_BAND_GAP, hw_adc_precise());
    converting = false;
    due_ms = now + SETTLE_MS;
    return;
  }
  if (converting && hw_adc_done()) take_reading();
  if (converting || (int8_t)(now - due_ms) < 0) return;
  hw_adc_begin();
  converting = true;
  due_ms = now + WATCH_MS;
}
