/* Reads two bytes from register 5 of device 0x68 by interrupt and sends them, asleep in between. */
#include "firmware.h"
static volatile uint8_t data[2], n, finished;
static void go(uint8_t control) { TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWIE) | control; }
ISR(TWI_vect) {
    static uint8_t reading;
    switch (TWSR & 0xF8) {
    case 0x08: TWDR = 0x68 << 1; go(0); break;
    case 0x18: TWDR = 5; go(0); break;
    case 0x28: reading = 1; go(_BV(TWSTA)); break;
    case 0x10: TWDR = 0x68 << 1 | reading; go(0); break;
    case 0x40: go(_BV(TWEA)); break;
    case 0x50: data[n++] = TWDR; go(0); break;
    case 0x58: data[n++] = TWDR; finished = 1; TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTO); break;
    default: data[0] = 0xEE; data[1] = TWSR; finished = 1; TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTO);
    }
}
int main(void) {
    line_on();
    TWBR = 12;
    sei();
    go(_BV(TWSTA));
    set_sleep_mode(SLEEP_MODE_IDLE);
    while (!finished) sleep_mode();
    put(data[0]); put(data[1]);
    for (;;);
}
