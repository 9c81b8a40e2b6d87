"""Spokes that have gone slack: a wire pulls and never pushes."""

import numpy as np

from rimgauge.errors import BadInput
from rimgauge.records import FloatArray

LEAST_SLACK_TURNS = 1e-9


def slack_turns(tension_n: FloatArray, per_turn_n: FloatArray) -> FloatArray:
    """How many turns each spoke is too loose to pull: what its nipple may be tightened by before it does.

    The linear complementarity problem tension + per_turn · slack ≥ 0, slack ≥ 0, one of the two nothing at each
    spoke, by an active set (Cottle, Pang and Stone, The Linear Complementarity Problem, from memory).

    Parameters
    ----------
    tension_n : (n,) what the linear model gives [N]; below nothing where a spoke would have to push.
    per_turn_n : (n, n) change of each tension for one turn of each nipple [N].

    Returns
    -------
    (n,)
        Turns, 0 where the spoke pulls.

    Raises
    ------
    BadInput
        So many spokes are slack that the others don't hold the rim.

    """
    slack = np.zeros(len(tension_n))
    loose = np.zeros(len(tension_n), dtype=bool)
    for _ in range(4 * len(tension_n)):
        pull = tension_n + per_turn_n @ slack
        pull[loose] = 0.0
        if slack.min() < -LEAST_SLACK_TURNS:
            loose[slack.argmin()] = False
        elif pull.min() < 0.0:
            loose[pull.argmin()] = True
        else:
            return np.maximum(slack, 0.0)
        block = per_turn_n[np.ix_(loose, loose)]
        if np.linalg.eigvalsh(block).min(initial=np.inf) <= 0.0:
            break
        slack = np.zeros(len(tension_n))
        slack[loose] = np.linalg.solve(block, -tension_n[loose])
    raise BadInput("so many spokes would be slack then that the others could not hold the rim: turn less")
