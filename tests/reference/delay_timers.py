"""What delay timers and deadbands do to false and missed alarms, in closed form, for samples that do not depend on each other.

Slow quantities are not independent from sample to sample; `rules.alarms.deadbands` therefore replays a record and uses these
formulas only to check itself.
"""

from __future__ import annotations

from dataclasses import dataclass

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class TimerFigures:
    """False-alarm rate, missed-alarm rate, expected detection delay in s, false raises per day."""

    false_alarm_rate: float
    missed_alarm_rate: float
    detection_delay_s: float
    raises_per_day: float


def samples_until(probability: float, in_a_row: int) -> float:
    """Return the expected number of samples until `in_a_row` of them in a row are of a kind that has this probability."""
    other = 1.0 - probability
    if probability <= 0.0:
        return float("inf")
    if other <= 0.0:
        return float(in_a_row)
    return float((1.0 - probability**in_a_row) / (other * probability**in_a_row))


def delay_timer(bad_if_normal: float, good_if_abnormal: float, on: int, off: int, interval_s: float) -> TimerFigures:
    """False-alarm rate, missed-alarm rate, expected detection delay and false raises of an on-delay and an off-delay.

    Parameters
    ----------
    bad_if_normal    : p1, probability of a sample on the bad side while all is well, valid 0 to 1
    good_if_abnormal : q1, probability of a sample on the good side while something is wrong, valid 0 to 1
    on, off          : n and m, samples in a row that raise and that clear, valid 1 and more
    interval_s       : h, time between samples, s, valid above 0
    Returns
    -------
    TimerFigures: rates 0 to 1, detection delay beyond the first sample in s, false raises per day
    Raises
    ------
    ValueError       if any value leaves its valid range
    Notes
    -----
    FAR = N_off/(N_off + N_on), N(p, k) = (1 - p^k)/((1 - p) p^k), N_on = N(p1, n), N_off = N(p2, m), p2 = 1 - p1; MAR the
    same with q1, q2; delay = h (N(q2, n) - 1). Samples are taken as independent.
    Inverse: none
    References
    ----------
    Xu, Wang, Izadi, Chen 2012, IEEE T-ASE 9(2), 296-307; Adnan, Izadi, Chen 2011, J. Process Control 21(9), 1318-1331
    Examples
    --------
    >>> round(delay_timer(0.0668, 0.3085, 3, 3, 30.0).false_alarm_rate, 4)
    0.001
    """
    if not (0 <= bad_if_normal <= 1 and 0 <= good_if_abnormal <= 1 and on >= 1 and off >= 1 and interval_s > 0):
        raise ValueError("probabilities lie between 0 and 1, numbers of samples are at least 1, the interval is above 0")
    raising, clearing = samples_until(bad_if_normal, on), samples_until(1 - bad_if_normal, off)
    seeing, losing = samples_until(1 - good_if_abnormal, on), samples_until(good_if_abnormal, off)
    return TimerFigures(
        false_alarm_rate=_share(clearing, raising),
        missed_alarm_rate=_share(seeing, losing),
        detection_delay_s=interval_s * (seeing - 1),
        raises_per_day=DAY_S / (interval_s * (raising + clearing)),
    )


def _share(part: float, rest: float) -> float:
    return 0.0 if rest == float("inf") else 1.0 if part == float("inf") else part / (part + rest)
