/* Answers each byte with the next higher one, by interrupt, asleep in between. */
#include "firmware.h"
ISR(USART_RX_vect) { UDR0 = UDR0 + 1; }
int main(void) {
    line_on();
    UCSR0B |= _BV(RXCIE0);
    set_sleep_mode(SLEEP_MODE_IDLE);
    sleep_enable();
    sei();
    for (;;) sleep_cpu();
}
