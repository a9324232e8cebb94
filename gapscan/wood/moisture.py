"""Moisture content that wood comes to rest at in air of a given humidity and temperature."""

from __future__ import annotations

from dataclasses import dataclass

# What a household hygrometer and thermometer are good for (common practice, no source).
U_RH_PERCENT = 3.0
U_CELSIUS = 1.0
# Wood that was damper before rests higher than wood that was drier: the second at 0.8 to 0.95 of the first (Wood Handbook,
# chapter 4, sorption hysteresis; from memory). The equation lies between; half of that either way, evenly spread.
_HYSTERESIS_REL_U = 0.15 / (2 * 3**0.5)


@dataclass(frozen=True)
class Moisture:
    """Moisture content in percent of the dry mass, and its standard uncertainty."""

    percent: float
    u_percent: float


def resting_percent(rh_percent: float, celsius: float) -> float:
    """Equilibrium moisture content [%].

    USDA Forest Products Laboratory, Wood Handbook (FPL-GTR-282), chapter 4, equations 4-4 and 4-5, in °C; the handbook's
    Table 4-2 was worked out with it. Raises ValueError for a humidity outside 0 to 100 %.
    """
    if not 0.0 <= rh_percent <= 100.0:
        raise ValueError(f"relative humidity {rh_percent} % lies outside 0 to 100 %")
    h, t = rh_percent / 100.0, celsius
    w = 349.0 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    kh = k * h
    bound = k1 * kh + 2.0 * k1 * k2 * kh**2
    return 1800.0 / w * (kh / (1.0 - kh) + bound / (1.0 + k1 * kh + k1 * k2 * kh**2))


def moisture_at(rh_percent: float, celsius: float) -> Moisture:
    """The resting moisture content with what hygrometer, thermometer and the wood's past leave open (JCGM 100, 5.1.2)."""
    m = resting_percent(rh_percent, celsius)
    low, high = max(rh_percent - U_RH_PERCENT, 0.0), min(rh_percent + U_RH_PERCENT, 100.0)
    by_rh = (resting_percent(high, celsius) - resting_percent(low, celsius)) / (high - low) * U_RH_PERCENT
    by_t = 0.5 * (resting_percent(rh_percent, celsius + U_CELSIUS) - resting_percent(rh_percent, celsius - U_CELSIUS))
    return Moisture(m, (by_rh**2 + by_t**2 + (_HYSTERESIS_REL_U * m) ** 2) ** 0.5)
