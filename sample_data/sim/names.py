"""Column names in four plain manners of speech, and units as written. Trade words only, no product's set."""

from __future__ import annotations

# channel: (long, short, lower case, plain)
NAMES: dict[str, tuple[str, str, str, str]] = {
    "engine_speed": ("Engine Speed", "RPM", "engine_rpm", "Engine Revs"),
    "vehicle_speed": ("Vehicle Speed", "Speed", "road_speed", "Road Speed"),
    "throttle_position": ("Throttle Position", "TPS", "throttle", "Throttle Pos"),
    "pedal_position": ("Accelerator Pedal", "APP", "pedal", "Pedal Pos"),
    "manifold_pressure": ("Manifold Pressure", "MAP", "manifold_abs", "Inlet Pressure"),
    "manifold_gauge": ("Boost Pressure", "Boost", "boost", "Boost"),
    "barometric_pressure": ("Barometric Pressure", "Baro", "baro", "Air Pressure"),
    "boost_target": ("Boost Target", "Target Boost", "boost_target", "Boost Wanted"),
    "wastegate_duty": ("Wastegate Duty", "WG Duty", "wg_duty", "Duty WG"),
    "lambda": ("Lambda", "Lambda 1", "lambda", "Mixture Lambda"),
    "afr": ("Air Fuel Ratio", "AFR", "afr", "Mixture AFR"),
    "lambda_target": ("Lambda Target", "Lambda Tgt", "lambda_target", "Lambda Wanted"),
    "afr_target": ("Air Fuel Ratio Target", "AFR Target", "afr_target", "AFR Wanted"),
    "intake_air_temp": ("Intake Air Temperature", "IAT", "intake_temp", "Charge Temp"),
    "ambient_air_temp": ("Ambient Air Temperature", "AAT", "ambient_temp", "Outside Temp"),
    "coolant_temp": ("Coolant Temperature", "ECT", "coolant_temp", "Water Temp"),
    "oil_temp": ("Oil Temperature", "Oil T", "oil_temp", "Oil Temp"),
    "fuel_temp": ("Fuel Temperature", "Fuel T", "fuel_temp", "Fuel Temp"),
    "exhaust_gas_temp": ("Exhaust Gas Temperature", "EGT", "egt", "Exhaust Temp"),
    "fuel_pressure": ("Fuel Pressure", "Fuel P", "fuel_pressure", "Fuel Press"),
    "oil_pressure": ("Oil Pressure", "Oil P", "oil_pressure", "Oil Press"),
    "injector_duty": ("Injector Duty", "Inj Duty", "inj_duty", "Injector Open"),
    "injector_pulse_width": ("Injector Pulse Width", "Inj PW", "inj_pw", "Inj Pulse"),
    "ignition_timing": ("Ignition Timing", "Ign", "timing", "Spark Advance"),
    "knock_retard": ("Knock Retard", "Knock Ret", "knock_retard", "Timing Taken Out"),
    "knock_level": ("Knock Level", "Knock", "knock_volts", "Knock Noise"),
    "knock_count": ("Knock Count", "Knock Cnt", "knock_count", "Knock Events"),
    "battery_voltage": ("Battery Voltage", "Batt", "battery", "Supply Volts"),
    "mass_air_flow": ("Mass Air Flow", "MAF", "air_flow", "Airflow"),
    "short_term_fuel_trim": ("Short Term Fuel Trim", "STFT", "trim_short", "Trim Short"),
    "long_term_fuel_trim": ("Long Term Fuel Trim", "LTFT", "trim_long", "Trim Long"),
    "gear": ("Gear", "Gear", "gear", "Gear"),
    "turbo_speed": ("Turbo Speed", "Turbo RPM", "turbo_rpm", "Turbo Revs"),
    "acceleration_longitudinal": ("Longitudinal Acceleration", "Accel X", "accel_x", "Accel Fwd"),
}
MANNERS = {"long": 0, "short": 1, "lower": 2, "plain": 3}
TIME_NAMES = ("Time", "Time", "time", "Clock")

PRESSURES = ("manifold_pressure", "barometric_pressure", "boost_target", "fuel_pressure", "oil_pressure")
TEMPERATURES = ("intake_air_temp", "ambient_air_temp", "coolant_temp", "oil_temp", "fuel_temp", "exhaust_gas_temp")
OPENINGS = ("throttle_position", "pedal_position")
# unit and decimals of the channels that every dialect writes alike
PLAIN_UNITS: dict[str, tuple[str, int]] = {
    "engine_speed": ("rpm", 0), "turbo_speed": ("rpm", 0), "wastegate_duty": ("%", 1), "injector_duty": ("%", 1),
    "injector_pulse_width": ("ms", 2), "ignition_timing": ("deg", 1), "knock_retard": ("deg", 1), "knock_level": ("V", 2),
    "knock_count": ("", 0), "battery_voltage": ("V", 2), "mass_air_flow": ("g/s", 2), "short_term_fuel_trim": ("%", 1),
    "long_term_fuel_trim": ("%", 1), "gear": ("", 0), "acceleration_longitudinal": ("m/s2", 2),
}
PRESSURE_UNITS = {"kPa": (1.0, 1), "psi": (1 / 6.894757293168, 2), "bar": (0.01, 3)}  # NIST SP 811
