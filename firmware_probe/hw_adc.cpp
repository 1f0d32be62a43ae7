// SPDX-License-Identifier: MIT
#include <avr/io.h>
#include "hw_chip.h"

void hw_adc_start(void) {
  DIDR0 = 0;
  hw_adc_select(HW_ADC_BAND_GAP, hw_adc_precise());
}

uint8_t hw_adc_channel(uint8_t pin) {
  uint8_t bit = pin & 0x0F;
  if ((pin >> 4) == 2 && bit < 6) return bit;
  if ((pin >> 4) == 4 && (bit == 6 || bit == 7)) return bit;
  return HW_ADC_NONE;
}

void hw_adc_select(uint8_t channel, uint8_t prescaler) {
  ADMUX = _BV(REFS0) | channel;  // against AVCC
  ADCSRA = _BV(ADEN) | prescaler;
}

uint8_t hw_adc_selected(void) { return ADMUX & 0x0F; }

void hw_adc_begin(void) { ADCSRA |= _BV(ADSC); }

bool hw_adc_done(void) { return !(ADCSRA & _BV(ADSC)); }

uint16_t hw_adc_value(void) { return ADC; }

uint8_t hw_adc_precise(void) { return 7 - HW_TICK_SHIFT; }
