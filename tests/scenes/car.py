"""A small physical simulator of a turbocharged car on a road, 100 steps a second.

Written from trade knowledge (common practice, no published source); it knows no auditing
program.  Pressures in kPa, temperatures in deg C, speeds in km/h, time in s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Any

import numpy as np

DT = 0.01


@dataclass(frozen=True)
class Car:
    disp: float = 2.0
    mass: float = 1480.0
    ratios: tuple[float, ...] = (128.0, 77.0, 52.0, 39.0, 31.0, 25.5)  # rpm per km/h
    idle: float = 850.0
    red: float = 6900.0
    amb: float = 100.4
    air: float = 17.0
    spring: float = 45.0
    gain: float = 1.55  # kPa of boost per % of duty
    duty: float | None = 35.0  # open loop duty; None with target = closed loop
    target: tuple[tuple[float, float], ...] | None = None  # closed loop: (rpm, kPa gauge)
    th: float = 2650.0
    width: float = 270.0
    pmax: float = 230.0
    tau: float = 0.35
    knee_over: float = 2.0
    slope: float = -0.8  # own slope once regulated, kPa per 1000 rpm
    slope_from: float = 4000.0
    coolant: float = 88.0
    iat_gain: float = 0.11
    iat_tau: tuple[float, float] = (4.0, 9.0)
    dbw: bool = True
    wot: float = 99.6
    lam_shift: float = 0.0
    lam_lag: float = 0.16
    lam_tau: float = 0.07
    inj_full: float = 72.0
    egt_full: float = 845.0
    oil_idle: float = 170.0
    volts: float = 14.0
    fuel_base: float = 300.0
    cold_start: float | None = None  # coolant at the start


@dataclass(frozen=True)
class Fault:
    """What is wrong with the engine itself; `pulls` None = in every pull (else 0-based)."""

    pulls: tuple[int, ...] | None = None
    over: float = 0.0
    overshoot: float = 0.0
    overshoot_tau: float = 0.4
    osc_pp: float = 0.0
    osc_hz: float = 2.0
    creep: float = 0.0
    creep_from: float = 3500.0
    lost_rpm: float = 0.0
    lost_to: float = 3.0
    lost_tau: float = 0.12
    cut_rpm: float = 0.0
    cut_s: float = 0.25
    cut_times: int = 1
    close_rpm: float = 0.0
    close_to: float = 45.0
    lean: float = 0.0
    lean2: float = 0.0  # second bank
    lean_drift: float = 0.0  # at the top of the pull
    lean_from: float = 4000.0
    spike: float = 0.0
    spike_rpm: float = 4500.0
    rich: float = 0.0
    knock: float = 0.0
    knock_rpm: tuple[float, float] = (3600.0, 5600.0)
    slip: float = 0.0
    slip_rpm: float = 3600.0
    short: float = 0.0  # boost short of the regulated level
    hot: float = 0.0  # more charge heat, K at full boost
    soak: float = 0.0  # K kept from pull to pull
    egt: float = 0.0
    oil: float = 1.0  # factor under load
    oil_sag: float = 0.0
    volts: float = 0.0
    fuelp: float = 0.0  # kPa lost at the top
    inj: float = 0.0
    coolant: float = 0.0  # rise over the night, K


HEALTHY = Fault()


@dataclass(frozen=True)
class Pull:
    """Wide open from start to end, s, in one gear."""

    start: float
    end: float
    gear: int


def full_load_lambda(boost: float) -> float:
    return float(np.interp(boost, (0.0, 35.0, 70.0, 110.0, 160.0), (0.895, 0.84, 0.81, 0.79, 0.77)))


@lru_cache(maxsize=64)
def simulate(
    car: Car, drive: tuple[tuple[Any, ...], ...], fault: Fault = HEALTHY, seed: int = 1
) -> tuple[MappingProxyType, tuple[Pull, ...]]:
    """Run the drive; return true signals at 100 Hz and the pulls.

    drive items: ("off", s) ("start",) ("idle", s) ("cruise", s, km/h, gear)
    ("pull", gear, rpm0, rpm1[, {options}-tuple]) ("chain", gears, rpm0, rpm1) ("overrun", s, gear)
    options: (("limiter", s), ("duty", pct), ("lead", s), ("after_overrun", 1), ("spin", s))
    """
    rng = np.random.default_rng(seed)
    n_noise = 4096
    noise = rng.normal(size=n_noise)
    smooth = np.convolve(np.r_[noise, noise], np.ones(60) / math.sqrt(60), "same")[:n_noise]
    names = (
        "t rpm speed thr pedal gear boost map lam lam2 lamt iat coolant egt oil oilt volts fuelp inj "
        "ipw ign knock duty target baro maf air stft cut wot turbo accel"
    ).split()
    out: dict[str, list[float]] = {k: [] for k in names}
    pulls: list[Pull] = []
    s = {
        "t": 0.0,
        "rpm": 0.0,
        "v": 0.0,
        "thr": 0.0,
        "ped": 0.0,
        "pot": 0.0,
        "map": car.amb,
        "iat": car.air + 6.0,
        "egt": 300.0,
        "cool": car.coolant - 3.0,
        "duty": 0.0,
        "soak": 0.0,
        "boost": 0.0,
        "oilt": 85.0,
        "bay": 6.0,
        "lamd": 1.0,
    }
    if car.cold_start is not None:
        s["cool"] = car.cold_start
        s["oilt"] = car.cold_start
        s["iat"] = car.air + 1.0
    lam_line = [1.0] * max(1, int(car.lam_lag / DT))
    lam2_line = list(lam_line)
    if drive[0][0] == "off":  # a warm sensor in still exhaust shows air
        lam_line = [2.0] * len(lam_line)
        lam2_line = list(lam_line)
    lam_m = lam2_m = lam_s = lam2_s = lam_line[0]
    i = 0
    pull_no = -1
    p: dict[str, float] = {}

    def active() -> bool:
        return pull_no >= 0 and (fault.pulls is None or pull_no in fault.pulls)

    def step(ped: float, gear: int, kind: str, acc: float | None = None, cut: bool = False) -> None:
        nonlocal i, lam_m, lam2_m, lam_s, lam2_s
        ni = smooth[(i * 3 + 17) % n_noise]
        running = kind not in ("off", "crank")
        in_pull = kind == "pull"
        # pedal and throttle
        up = 420.0 if ped > s["ped"] else 700.0
        s["ped"] += max(-up * DT, min(up * DT, ped - s["ped"]))
        cmd = s["ped"] * car.wot / 100.0
        f_on = active() and in_pull
        if f_on and fault.close_rpm and s["rpm"] > fault.close_rpm:
            cmd = min(cmd, fault.close_to)
        s["thr"] += (cmd - s["thr"]) * (DT / 0.05 if car.dbw else 0.6)
        thr = s["thr"]
        # speed of road and engine
        r = car.ratios[gear - 1] if gear else 0.0
        rpm = s["rpm"]
        over_cut = running and thr < 1.5 and rpm > 1700 and kind != "idle"
        fuel_cut = cut or over_cut
        if in_pull:
            ve = 0.98 - 0.05 * ((rpm - 4300) / 2200) ** 2
            tq = car.disp * 88.0 * s["map"] / 100.0 * ve - 14.0 * car.disp - rpm * 0.003 * car.disp
            if fuel_cut:
                tq = -35.0
            a = tq * 0.88 * 0.377 * r / car.mass - 0.15 - 0.000024 * s["v"] ** 2
            s["v"] += a * 3.6 * DT
        elif acc is not None:
            a = acc
            s["v"] = max(0.0, s["v"] + acc * 3.6 * DT)
        else:
            a = 0.0
        slip = 0.0
        if f_on and fault.slip and rpm > fault.slip_rpm:
            p["slip"] = min(1.0, p.get("slip", 0.0) + DT / 0.5)
            slip = fault.slip * p["slip"]
        if in_pull and p.get("spin", 0.0) > 0:
            age = s["t"] - p["t0"]
            slip = max(
                slip, 0.28 * math.sin(math.pi * min(1.0, age / p["spin"])) if age < p["spin"] else 0
            )
        if kind == "off":
            goal, rt = 0.0, 0.2
        elif kind == "crank":
            goal, rt = 210.0, 0.08
        elif kind in ("idle", "clutch"):
            goal, rt = car.idle + 14.0 * ni, 0.35
        else:
            goal, rt = max(car.idle, s["v"] * r) * (1 + slip), 0.04 if in_pull else 0.12
        s["rpm"] += (goal - s["rpm"]) * min(1.0, DT / rt)
        rpm = s["rpm"]
        # turbo
        load = (thr / 100.0) ** 1.6 if running else 0.0
        if kind == "off":
            pot = 0.0
        else:
            pot = car.pmax / (1.0 + math.exp(-(rpm - car.th) / car.width)) * load
        tau = car.tau * (1.0 if pot > s["pot"] else 0.35)
        s["pot"] += (pot - s["pot"]) * DT / tau
        duty_open = p.get("duty", car.duty if car.duty is not None else 0.0)
        tgt = float(np.interp(rpm, *zip(*car.target))) if car.target else 0.0
        reg = tgt if car.target else car.spring + car.gain * duty_open
        if not car.target and rpm > car.slope_from:
            reg += car.slope * (rpm - car.slope_from) / 1000.0
        reg += p.get("vary", 0.0) + 0.45 * ni
        if f_on:
            reg += fault.over - fault.short
            if fault.creep and rpm > fault.creep_from:
                reg += fault.creep * (rpm - fault.creep_from) / 1000.0
        sm = 2.5
        d = (s["pot"] - reg) / sm
        b = reg if d > 30 else (s["pot"] if d < -30 else s["pot"] - sm * math.log1p(math.exp(d)))
        if in_pull and "knee" not in p and s["pot"] > reg - 1.0:
            p["knee"] = s["t"]
        if in_pull and "knee" in p:
            age = s["t"] - p["knee"]
            amp, ta = car.knee_over, 0.35
            if f_on and fault.overshoot:
                amp, ta = fault.overshoot * 2.0, fault.overshoot_tau
            b += amp * (1 - math.exp(-age / 0.12)) * math.exp(-age / ta)
            if f_on and fault.osc_pp:
                grow = 1 - math.exp(-age / 0.2)
                b += fault.osc_pp / 2 * grow * math.sin(2 * math.pi * fault.osc_hz * age)
        if f_on and fault.lost_rpm and rpm > fault.lost_rpm and "lost" not in p:
            p["lost"] = s["t"]
        if f_on and "lost" in p:
            k = math.exp(-(s["t"] - p["lost"]) / fault.lost_tau)
            b = min(b, fault.lost_to + (b - fault.lost_to) * k)
        # manifold
        area = 2.2 + thr * (1.0 + (thr / 50.0) ** 2 * 1.5)
        x = 0.07 * area / max(0.2, rpm / 1000.0)
        fill = 0.21 + 0.79 * (1 - math.exp(-x)) if running else 1.0
        if kind == "off":
            mp = car.amb
        elif kind == "crank":
            mp = car.amb * 0.9
        else:
            mp = fill * (car.amb + b) - (1.0 if thr > 50 else 0.0)
        s["map"] += (mp - s["map"]) * DT / 0.045
        gauge = s["map"] - car.amb
        # duty
        if car.target:
            need = min(88.0, max(0.0, (tgt - car.spring) / car.gain))
            short = tgt - gauge
            dgoal = (
                0.0
                if thr < 55
                else max(0.0, min(90.0, need + 3.0 * max(0.0, short - 2.0) + 0.4 * short))
            )
            if f_on and (fault.short or "lost" in p):
                p["wind"] = (
                    min(60.0, p.get("wind", 0.0) + 40 * DT) if short > 5 else p.get("wind", 0.0)
                )
                dgoal = min(95.0, dgoal + p["wind"])
            s["duty"] += (dgoal - s["duty"]) * DT / 0.12
        else:
            s["duty"] = duty_open if thr > 40 else 0.0
        # mixture
        want = 1.0 + 0.012 * math.sin(2 * math.pi * 0.8 * s["t"]) + 0.006 * ni
        lam_t = 1.0
        if thr > 70 or gauge > 4:
            lam_t = full_load_lambda(max(0.0, gauge)) + car.lam_shift
            want = lam_t + 0.004 * ni
        want2 = want + 0.004
        if f_on and gauge > 10:
            share = min(1.0, gauge / 40.0)
            if fault.lean_from <= rpm or not fault.lean_drift:
                up_ = max(
                    0.0, (rpm - fault.lean_from) / max(500.0, car.red - 300 - fault.lean_from)
                )
                want += fault.lean_drift * up_
                want2 += fault.lean_drift * up_
            want += share * (fault.lean - fault.rich)
            want2 += share * (fault.lean + fault.lean2 - fault.rich)
            if fault.spike and fault.spike_rpm < rpm < fault.spike_rpm + 550:
                want += fault.spike
                want2 += fault.spike
        if not running:
            want = want2 = 2.0
        if fuel_cut:
            want = want2 = 2.1
        lam_line.append(want)
        lam2_line.append(want2)
        # gas mixes on its way, then the sensor itself lags
        lam_m += (lam_line.pop(0) - lam_m) * DT / 0.07
        lam2_m += (lam2_line.pop(0) - lam2_m) * DT / 0.07
        lam_s += (lam_m - lam_s) * DT / car.lam_tau
        lam2_s += (lam2_m - lam2_s) * DT / car.lam_tau
        # heat
        gpos = max(0.0, gauge)
        still = s["v"] < 15
        s["bay"] += ((13.0 if still else 5.5) - s["bay"]) * DT / (70.0 if still else 25.0)
        extra = (fault.hot if f_on else 0.0) * min(1.0, gpos / 80.0)
        soak_g = fault.soak * (pull_no + (1 if in_pull else 0.6)) if pull_no >= 0 else 0.0
        s["soak"] += (soak_g - s["soak"]) * DT / 4.0
        iat_g = car.air + s["bay"] + car.iat_gain * gpos + extra + s["soak"]
        it = car.iat_tau[0] if iat_g > s["iat"] else car.iat_tau[1]
        s["iat"] += (iat_g - s["iat"]) * DT / it
        base = car.coolant + 1.2 * math.sin(s["t"] / 11.0) + fault.coolant * min(1.0, s["t"] / 80.0)
        if car.cold_start is not None:
            base = min(base, 500.0)
            s["cool"] += (base - s["cool"]) * DT / (85.0 if s["cool"] < base else 12.0)
            s["oilt"] += (base + 3 - s["oilt"]) * DT / 110.0
        else:
            s["cool"] += (base + 0.02 * gpos - s["cool"]) * DT / 9.0
            s["oilt"] += (92 - s["oilt"]) * DT / 60.0
        eg = 20 + 330 if rpm < 1100 else 540 + 0.02 * rpm
        if in_pull and thr > 60:
            eg = car.egt_full - 60 + 60 * min(1.0, rpm / car.red) + (fault.egt if f_on else 0.0)
        if fuel_cut:
            eg = 430.0
        s["egt"] += (eg - s["egt"]) * DT / (1.4 if eg > s["egt"] else 3.0)
        # oil, supply, fuel
        oil = 0.0 if not running else min(540.0, car.oil_idle + 78.0 * max(0.0, rpm - 850) / 1000.0)
        if f_on:
            oil *= fault.oil
            if rpm > 4200:
                oil -= fault.oil_sag
        vt = 12.4 if kind == "off" else (10.4 if kind == "crank" else car.volts - 0.15 * (thr > 60))
        if f_on:
            vt -= fault.volts
        fp = car.fuel_base + (gauge if running else 0.0)
        inj = (
            car.inj_full
            * (rpm / car.red)
            * (
                s["map"]
                / (car.amb + (tgt if car.target else car.spring + car.gain * (car.duty or 0)))
            )
            * 1.02
        )
        inj *= 1.0 / max(0.7, min(1.3, want / 0.80)) if running and want < 1.6 else 1.0
        if f_on:
            fp -= fault.fuelp * min(1.0, max(0.0, (rpm - 3200) / 2200))
            inj += fault.inj * min(1.0, max(0.0, (rpm - 3000) / 2500)) * min(1.0, gpos / 40)
        if fuel_cut or not running:
            inj = 0.0
        inj = min(inj, 100.0)
        ipw = inj / 100.0 * 120000.0 / rpm if rpm > 400 else 0.0
        ign = (
            12.0 + 4 * math.sin(s["t"]) * 0.3
            if rpm < 1100
            else 34.0 - 0.12 * max(0.0, s["map"] - 40) + rpm / 900
        )
        if over_cut:
            ign = 24.0
        kn = 0.0
        if f_on and fault.knock and fault.knock_rpm[0] < rpm < fault.knock_rpm[1] and gauge > 20:
            ph = (s["t"] - p["t0"]) % 0.9
            kn = fault.knock * max(0.35, 1.0 - ph / 1.4)
        maf = s["map"] / 100 * rpm / 120 * car.disp * 1.18 * 0.92 if running else 0.0
        o = out
        o["t"].append(s["t"])
        o["rpm"].append(rpm)
        o["speed"].append(s["v"])
        o["thr"].append(thr)
        o["pedal"].append(s["ped"])
        o["gear"].append(float(gear))
        o["boost"].append(gauge)
        o["map"].append(s["map"])
        o["lam"].append(lam_s)
        o["lam2"].append(lam2_s)
        o["lamt"].append(lam_t)
        o["iat"].append(s["iat"])
        o["coolant"].append(s["cool"])
        o["egt"].append(s["egt"])
        o["oil"].append(oil)
        o["oilt"].append(s["oilt"])
        o["volts"].append(vt)
        o["fuelp"].append(fp)
        o["inj"].append(inj)
        o["ipw"].append(ipw)
        o["ign"].append(ign - kn)
        o["knock"].append(kn)
        o["duty"].append(s["duty"])
        o["target"].append(tgt if thr > 55 else 0.0)
        o["baro"].append(car.amb)
        o["maf"].append(maf)
        o["air"].append(car.air)
        o["stft"].append(3.0 * ni if gauge < 0 and not fuel_cut and running else 0.0)
        o["cut"].append(float(fuel_cut))
        o["wot"].append(float(in_pull))
        o["turbo"].append(max(0.0, 20000 + 900 * max(gauge, 0.0) ** 0.98))
        o["accel"].append(a)
        s["t"] = round(s["t"] + DT, 4)
        i += 1

    def run(sec: float, ped: float, gear: int, kind: str, acc: float | None = None) -> None:
        for _ in range(int(round(sec / DT))):
            step(ped, gear, kind, acc)

    def cruise(sec: float, v: float, gear: int, settle: bool = False) -> None:
        for k in range(int(round(sec / DT))):
            acc = max(-1.1, min(1.3, (v - s["v"]) * 0.30))
            w = smooth[(i * 2 + 400) % n_noise]
            ped = 7.0 + 0.075 * s["v"] + 11.0 * acc + 0.9 * w
            ped = 0.0 if acc < -0.55 else max(2.5, min(45.0, ped))
            step(ped, gear, "drive", acc)
            if settle and k > 150 and abs(v - s["v"]) < 0.8:
                break

    def begin_pull(opts: dict[str, float]) -> None:
        nonlocal pull_no
        pull_no += 1
        p.clear()
        p.update(t0=s["t"], vary=float(rng.normal(0, 0.6)))
        if "duty" in opts:
            p["duty"] = opts["duty"]
        if "spin" in opts:
            p["spin"] = opts["spin"]

    def wide_open(gear: int, rpm1: float, opts: dict[str, float]) -> None:
        begin_pull(opts)
        t0 = s["t"]
        cut_left, cuts, cut_wait = 0.0, 0, 0.0
        ped = opts.get("pedal", 100.0)
        while s["rpm"] < rpm1 and s["t"] - t0 < 22:
            cut = False
            if active() and fault.cut_rpm:
                if cut_left > 0:
                    cut, cut_left = True, cut_left - DT
                    if cut_left <= 0:
                        cut_wait = 0.35
                elif cut_wait > 0:
                    cut_wait -= DT
                elif cuts < fault.cut_times and s["rpm"] > fault.cut_rpm:
                    cuts, cut_left = cuts + 1, fault.cut_s
            step(ped, gear, "pull", cut=cut)
            # nobody stays in it for long once the power is gone
            if "lost" in p and s["t"] - p["lost"] > 1.7 and fault.lost_to < 30:
                break
            if active() and fault.close_rpm and s["rpm"] > fault.close_rpm:
                p.setdefault("closed", s["t"])
            if "closed" in p and s["t"] - p["closed"] > 2.0:
                break
            if s["t"] - t0 > opts.get("at_most", 22.0) or (
                active() and fault.short > 60 and s["t"] - t0 > 6
            ):
                break
        if "limiter" in opts:
            end = s["t"] + opts["limiter"]
            cut = True
            while s["t"] < end:
                if s["rpm"] > rpm1 - 10:
                    cut = True
                elif s["rpm"] < rpm1 - 70:
                    cut = False
                step(ped, gear, "pull", cut=cut)
        pulls.append(Pull(t0, s["t"], gear))

    for item in drive:
        kind = item[0]
        if kind == "off":
            run(item[1], 0.0, 0, "off")
        elif kind == "start":
            run(0.7, 0.0, 0, "crank")
            run(0.5, 6.0, 0, "idle")
            run(1.5, 0.0, 0, "idle")
        elif kind == "idle":
            if s["rpm"] < 300 and s["t"] == 0:
                s["rpm"], s["map"], lam_m, lam_s = car.idle, car.amb * 0.36, 1.0, 1.0
                lam_line[:] = [1.0] * len(lam_line)
                lam2_line[:] = [1.0] * len(lam2_line)
            while s["v"] > 0.5:
                step(0.0, 0, "clutch", -1.8)
            s["v"] = 0.0
            run(item[1], 0.0, 0, "idle")
        elif kind == "cruise":
            if s["t"] == 0:
                s["v"], s["rpm"] = item[2], item[2] * car.ratios[item[3] - 1]
            if s["v"] < 3:  # pull away through the gears
                for g in range(1, item[3]):
                    lim = min(item[2], 2600.0 / car.ratios[g - 1])
                    while s["v"] < lim - 0.5:
                        step(22.0, g, "drive" if s["v"] > 8 else "clutch", 1.7)
                    run(0.35, 2.0, g + 1, "drive", 0.0)
            cruise(item[1], item[2], item[3])
        elif kind == "overrun":
            run(item[1], 0.0, item[2], "drive", -0.9)
        elif kind == "pull":
            _, gear, rpm0, rpm1, *rest = item
            opts = dict(rest[0]) if rest else {}
            v0 = rpm0 / car.ratios[gear - 1]
            if "after_overrun" in opts:
                cruise(12.0, v0 + 6.0, gear, settle=True)
                while s["v"] > v0:
                    step(0.0, gear, "drive", -1.0)
            else:
                cruise(25.0, v0, gear, settle=True)
                cruise(opts.get("lead", 1.5), v0, gear)
            wide_open(gear, rpm1, opts)
            run(opts.get("coast", 2.5), 0.0, gear, "drive", -0.9)
        elif kind == "chain":
            _, gears, rpm0, rpm1 = item
            cruise(25.0, rpm0 / car.ratios[gears[0] - 1], gears[0], settle=True)
            for k, g in enumerate(gears):
                wide_open(g, rpm1, {})
                if k + 1 < len(gears):
                    run(0.18, 0.0, g, "drive", -0.3)
                    run(0.25, 0.0, gears[k + 1], "drive", -0.3)
            run(2.5, 0.0, gears[-1], "drive", -0.9)
        else:
            raise ValueError(kind)
    arr = {k: np.asarray(v) for k, v in out.items()}
    for a in arr.values():
        a.setflags(write=False)
    return MappingProxyType(arr), tuple(pulls)
