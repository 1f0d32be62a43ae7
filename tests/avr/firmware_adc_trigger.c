/* Timer 1's compare match B starts a conversion 100 µs after each overflow of a 1 ms period; results by interrupt. */
#include "firmware.h"
ISR(ADC_vect) { uint16_t v = ADC; TIFR1 = _BV(OCF1B); put16(v); }
int main(void) {
    line_on();
    ADMUX = _BV(REFS0);
    ADCSRB = _BV(ADTS2) | _BV(ADTS0);
    ADCSRA = _BV(ADEN) | _BV(ADATE) | _BV(ADIE) | 5;
    OCR1A = 15999; OCR1B = 1600;
    sei();
    TCCR1B = _BV(WGM12) | _BV(CS10);
    for (;;);
}
