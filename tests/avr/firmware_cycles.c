/* Toggles PB5 by SBI PINB with another pin of the port high: six cycles a turn. */
#include "firmware.h"
int main(void) {
    DDRB = _BV(5) | _BV(4);
    PORTB = _BV(4);
    for (;;) { PINB |= _BV(5); asm volatile("nop\n nop"); }
}
