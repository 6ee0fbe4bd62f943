"""Spellings of units as they stand in headers, units rows and cells. What they mean is decided
elsewhere.
"""

from __future__ import annotations

import re

_WORDS = """
s sec secs second seconds sek sekunden segundos secondes byou ms msec msecs milliseconds millis us
µs μs usec microseconds ns
min mins minutes minuten h hr hrs hours hh:mm:ss hh:mm:ss.s hh:mm:ss.ms mm:ss h:m:s
rpm 1/min /min min-1 min^-1 u/min umin tr/min r/min t/min rev/min upm vpm giri/min
km/h kmh kph km/hr kmph mph mi/h m/s mps kn knots
kpa kpaa kpag kpaabs hpa mbar mbara mbarg bar bara barg baro psi psia psig psid lb/in2 lb/in²
lbf/in2 lbf/in² inhg "hg in.hg
inh2o mmhg torr atm pa mpa kg/cm2 kg/cm² kgf/cm2 kgf/cm² cmhg
c °c ºc degc deg_c deg.c degrees_c celsius f °f ºf degf deg_f deg.f degrees_f fahrenheit k kelvin ℃
℉ oc
% pct percent prozent percentage %dc %duty
deg ° º degree degrees grad grados degrés °ca degca deg_ca °crk °kw btdc °btdc degbtdc deg_btdc °bk
v mv volt volts a ma amp amps ampere ohm ohms kohm hz khz
λ lambda afr afr_gas :1 a/f
g/s kg/h kg/hr g/sec lb/min lbs/min lb/hr mg/stk mg/str mg/stroke mg/cyl g/rev g/cyl mg cc/min cc
l/h l/100km mpg l gal gal/h
nm n·m n*m ft-lb ftlb ft·lb lbft lb-ft kw hp ps cv bhp whp
m km mi ft mile miles m/s2 m/s² m/s^2 g °/s deg/s
- -- 1 n/a na bool boolean on/off 0/1 enum count counts # none raw bit bits flag state ratio
dimensionless unitless x gear
"""
UNIT_WORDS = frozenset(_WORDS.split())
NEUTRAL = frozenset(("", "-", "--", "1", "n/a", "na", "#", "none", "x"))
# Words too common in names to count as a unit unless in brackets or a units row
_WEAK = frozenset(
    (
        "c",
        "f",
        "k",
        "a",
        "v",
        "g",
        "h",
        "l",
        "m",
        "s",
        "x",
        "pa",
        "na",
        "raw",
        "gear",
        "lambda",
        "afr",
        "count",
        "counts",
        "state",
        "flag",
        "none",
        "ratio",
        "min",
        "mi",
        "ft",
        "in",
        "ps",
        "cv",
        "n/a",
        "-",
        "--",
        "1",
        "#",
        "bool",
        "enum",
        "bit",
        "bits",
        "baro",
        "mile",
        "miles",
        "oc",
        "cc",
        "grad",
        "us",
        "ms",
        "ma",
        "on/off",
        "deg",
        "mg",
        "kn",
        "gal",
        "percent",
        "second",
        "seconds",
        "hours",
        "minutes",
        "percentage",
        "degree",
        "degrees",
        "atm",
        "btdc",
        "volts",
        "volt",
        "amp",
        "amps",
        "boolean",
        "λ",
        "a/f",
    )
)
_QUALIFIER = re.compile(
    r"[\s_.(-]*(abs|absolute|a|gauge|gage|g|rel|relative|vac|vacuum|boost)\.?\)?$", re.IGNORECASE
)


def is_unit(text: str) -> bool:
    """Whether the text is the spelling of a unit, with or without 'abs' or 'gauge'."""
    word = text.strip().lower().replace(" ", "")
    if word in UNIT_WORDS:
        return True
    bare = _QUALIFIER.sub("", text.strip()).lower().replace(" ", "")
    return bool(bare) and bare != word and bare in UNIT_WORDS and len(bare) > 1


def is_strong_unit(text: str) -> bool:
    """Whether the text is a unit even where it stands bare at the end of a name."""
    return is_unit(text) and text.strip().lower() not in _WEAK
