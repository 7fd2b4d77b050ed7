"""What a meter shows of an amplifier that oscillates: what it sings, not what it is fed.

Its output stage limits how loud that is: about the rated output, at places within the loop in proportion to their
gains, at whatever frequency the meter is thought to read; direct voltages are what overdriven valves leave. All that
is true to a factor alone, and the scatter says so (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from simwrap.fault_finding.places import Place, Seen

#: Scatter of the song's logarithm: common to all places, and of each.
_LOUD, _EACH = 0.5, 0.8
#: A place whose signal changes by more than this in its logarithm when the feedback turns round is within the loop.
_WITHIN = 0.05
#: Scatter of direct voltages: as a share of them, of a song that leaves them and of one that doesn't, and then [V].
_CALM, _DRIVEN, _SHIFT = 0.02, 0.15, 3.0


def song(places: Sequence[Place], healthy: Seen, turned: Seen, main: tuple[str, float], driven: float) -> Seen:
    """Return what a meter shows of a song.

    Parameters
    ----------
    places : sequence of Place
    healthy, turned : Seen
        Of one point: as it should be, and of the linear circuit with its feedback turned round.
    main : tuple of str and float
        Node of the main output, and what is rated there [V r.m.s.].
    driven : float
        How far the song moves direct voltages, 0 to 1.
    """
    node, loudest = main
    share = _CALM * (_DRIVEN / _CALM) ** driven
    means = healthy.means.copy()
    spread = np.zeros(len(places))
    common = np.zeros(len(places))
    own = {p.frequency: float(p.plain(healthy.means[0, k])) for k, p in enumerate(places)
           if p.frequency and p.nodes[0] == node}  # fmt: skip
    for k, place in enumerate(places):
        mean = float(healthy.means[0, k])
        if not place.frequency:
            spread[k] = np.hypot(
                (2.5 if place.valve else 1.0) * share * mean, 0.0 if place.valve else _SHIFT * driven**2
            )
        elif abs(float(turned.means[0, k]) - mean) > _WITHIN and own:
            ratio = float(place.plain(mean)) / max(own.get(place.frequency, max(own.values())), 1e-9)
            means[0, k] = float(place.scaled(loudest * ratio))
            spread[k], common[k] = _EACH, _LOUD
        else:
            # Nothing of it, or the signal that is fed in.
            nothing = float(place.scaled(0.0))
            means[0, k], spread[k] = 0.5 * (mean + nothing), 0.5 * (mean - nothing)
    covariance = healthy.covariances[0] + np.diag(spread**2) + np.outer(common, common)
    # What is read at several frequencies of one place is the same song.
    for k, one in enumerate(places):
        for other in range(k):
            if common[k] and common[other] and places[other].nodes == one.nodes:
                covariance[k, other] += 0.98 * _EACH**2
                covariance[other, k] = covariance[k, other]
    return replace(healthy, means=means, covariances=covariance[None])


__all__ = ["song"]
