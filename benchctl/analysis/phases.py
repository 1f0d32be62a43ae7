"""The loop of a firmware as it shows in the times at which an output changes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
#: periods that are looked for, s; steps between them, relative
SHORTEST_S, LONGEST_S = 5e-3, 0.6
_STEP = 5e-4
#: only changes so near to each other are related: a loop does not keep its period for ever
_NEAR_S = 1.2
#: so well the times must agree on one phase; of chance alone 0.2 is rare
_AGREES = 0.6
_FEWEST = 30


def loop_period(times: Floats) -> float | None:
    """The period, s, of the loop on whose turns all these times, s and rising, lie; None where there is none.

    The longest period that explains them: half of it does as well.
    """
    if len(times) < _FEWEST:
        return None
    apart = np.concatenate([times[k:] - times[:-k] for k in (1, 2, 3)])
    apart = apart[apart < _NEAR_S]
    if len(apart) < _FEWEST:
        return None
    periods = np.exp(np.arange(np.log(SHORTEST_S), np.log(LONGEST_S), _STEP))
    agrees = np.array([np.abs(np.exp(2j * np.pi * apart / p).mean()) for p in periods])
    # differences that are all shorter than a period agree on anything
    agrees[periods > np.quantile(apart, 0.9)] = 0.0
    peak = (agrees[1:-1] >= agrees[:-2]) & (agrees[1:-1] > agrees[2:])
    good = 1 + np.flatnonzero(peak & (agrees[1:-1] > max(_AGREES, 0.9 * float(agrees.max()))))
    return float(periods[good[-1]]) if len(good) else None
