/* Counts pin-change interrupts of PD4, rising edges on INT0 and any edges on INT1; 'r' reports. PC0 has its pull-up on;
 * 'l' pulls PC1 low as an open drain does, 'f' lets go of it. Answers with PINC. */
#include "firmware.h"
static volatile uint8_t changes, rises, edges;
ISR(PCINT2_vect) { changes++; }
ISR(INT0_vect) { rises++; }
ISR(INT1_vect) { edges++; }
int main(void) {
    line_on();
    PORTC = _BV(0);
    PCMSK2 = _BV(4);
    PCICR = _BV(PCIE2);
    EICRA = _BV(ISC01) | _BV(ISC00) | _BV(ISC10);
    EIMSK = _BV(INT0) | _BV(INT1);
    sei();
    for (;;) {
        uint8_t what = get();
        if (what == 'l') DDRC |= _BV(1);
        if (what == 'f') DDRC &= ~_BV(1);
        if (what == 'r') { put(changes); put(rises); put(edges); }
        put(PINC);
    }
}
