/* Reads after a pause of 5 ms, so that bytes pile up; sends what it finds with its status register. */
#include "firmware.h"
int main(void) {
    line_on();
    _delay_ms(5);
    while (UCSR0A & _BV(RXC0)) { uint8_t status = UCSR0A, v = UDR0; put(status); put(v); }
    put(0);
    for (;;);
}
