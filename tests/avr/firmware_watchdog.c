/* Says why it started and hangs with the watchdog on: at 30 ms, after a watchdog reset at 0.125 s, in the way in which
 * boot loaders set it, without WDR. */
#include "firmware.h"
int main(void) {
    uint8_t cause = MCUSR;
    MCUSR = 0;
    WDTCSR = _BV(WDCE) | _BV(WDE);
    WDTCSR = cause & _BV(WDRF) ? _BV(WDE) | _BV(WDP1) | _BV(WDP0) : _BV(WDE) | _BV(WDP0);
    line_on();
    put(cause);
    for (;;);
}
