/* Takes ADMUX, converts twice at prescaler 128, sends the second result and the cycles that it took. */
#include "firmware.h"
int main(void) {
    line_on();
    TCCR1B = _BV(CS10);
    ADCSRA = _BV(ADEN) | 7;
    for (;;) {
        ADMUX = get();
        for (uint8_t i = 0; i < 2; i++) {
            uint16_t start = TCNT1;
            ADCSRA |= _BV(ADSC);
            while (ADCSRA & _BV(ADSC));
            uint16_t took = TCNT1 - start;
            if (!i) continue;
            put16(ADC);
            put16(took);
        }
    }
}
