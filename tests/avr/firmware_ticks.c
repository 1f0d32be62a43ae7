/* A 32-bit clock of half microseconds from timer 1 and its overflows; sends the time at which a byte came in. OCR1A is
 * rewritten and other flags of TIFR1 are cleared all the time, which must not disturb the count. */
#include "firmware.h"
static uint16_t overflows;
int main(void) {
    line_on();
    TCCR1B = _BV(CS11);
    for (uint16_t turn = 0;; turn++) {
        OCR1A = TCNT1 + 100;
        TIFR1 = _BV(OCF1A) | _BV(OCF1B);
        if (TIFR1 & _BV(TOV1)) { TIFR1 = _BV(TOV1); overflows++; }
        if (UCSR0A & _BV(RXC0)) {
            uint16_t low = TCNT1, high = overflows;
            if (TIFR1 & _BV(TOV1) && low < 0x8000) high++;
            (void)UDR0;
            put16(low); put16(high);
        }
    }
}
