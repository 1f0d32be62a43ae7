/* Waits in the form SEI, SLEEP, CLI for one of two interrupts, a byte or each millisecond's timer; counts both kinds and
 * answers 'r' with them. */
#include "firmware.h"
static volatile uint8_t work, byte, n;
static volatile uint16_t ms;
ISR(USART_RX_vect) { byte = UDR0; n++; work = 1; }
ISR(TIMER2_COMPA_vect) { ms++; work = 1; }
int main(void) {
    line_on();
    UCSR0B |= _BV(RXCIE0);
    TCCR2A = _BV(WGM21);
    TCCR2B = _BV(CS22);
    OCR2A = 249;
    TIMSK2 = _BV(OCIE2A);
    set_sleep_mode(SLEEP_MODE_IDLE);
    for (;;) {
        cli();
        while (!work) { sleep_enable(); sei(); sleep_cpu(); sleep_disable(); cli(); }
        work = 0;
        sei();
        if (byte == 'r') { byte = 0; put(n); put16(ms); }
        for (uint8_t i = ms & 63; i; i--) asm volatile("nop"); /* come back at all phases */
    }
}
