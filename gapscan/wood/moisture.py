"""Moisture content that wood comes to rest at in air of a given humidity and temperature."""

from __future__ import annotations

from dataclasses import dataclass

# What a household hygrometer and thermometer are good for (common practice, no source).
U_RH_PERCENT = 3.0
U_CELSIUS = 1.0
# Wood that was damper before rests higher than wood that was drier: the second at 0.8 to 0.95 of the first (Wood Handbook,
# chapter 4, sorption hysteresis; from memory). The equation lies between; half of that either way, evenly spread.
_HYSTERESIS_REL_U = 0.15 / (2 * 3**0.5)
# Going up and down again wood stays inside that loop, and a change is less than the equation's for as long as it follows a
# turn (judgement, from memory of sorption curves; no source).
_CHANGE_REL_U = 0.15


@dataclass(frozen=True)
class Moisture:
    """Moisture content in percent of the dry mass, its standard uncertainty, and the part of it that humidity and
    temperature as read leave open."""

    percent: float
    u_percent: float
    u_reading_percent: float


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
    reading2 = by_rh**2 + by_t**2
    return Moisture(m, (reading2 + (_HYSTERESIS_REL_U * m) ** 2) ** 0.5, reading2**0.5)


def change_between(first: Moisture, second: Moisture) -> tuple[float, float]:
    """Change of the moisture content [%] from the first air to the second, and its standard uncertainty.

    The readings are independent (two places, two instruments); the wood's past lies on both ends alike and shows in how much
    of the change takes place.
    """
    change = second.percent - first.percent
    reading2 = first.u_reading_percent**2 + second.u_reading_percent**2
    return change, (reading2 + (_CHANGE_REL_U * change) ** 2) ** 0.5
