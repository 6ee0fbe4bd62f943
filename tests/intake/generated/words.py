"""What columns are called and in which units they come. Trade words, no product's set.

UNITS: unit text, scale, offset (source = canonical * scale + offset); "" stands for no unit given.
"""

from __future__ import annotations

NAMES: dict[str, list[str]] = {
    "engine_speed": ["RPM", "Engine Speed", "Engine RPM", "Motordrehzahl", "Drehzahl", "Régime moteur", "Revoluciones motor", "Engine kaitensu", "Eng Spd", "Engine Revs"],
    "vehicle_speed": ["Vehicle Speed", "VSS", "Speed", "Geschwindigkeit", "Fahrgeschwindigkeit", "Vitesse véhicule", "Velocidad del vehículo", "Shasoku", "Veh Spd", "GPS Speed", "Road Speed"],
    "throttle_position": ["TPS", "Throttle Position", "Throttle", "Throttle Pos", "Drosselklappe", "Drosselklappenwinkel", "Position papillon", "Posición mariposa", "Thr Pos", "Absolute Throttle Position"],
    "pedal_position": ["APP", "Accelerator Pedal Position", "Pedal Position", "Gaspedal", "Fahrpedalstellung", "Position pédale", "Posición pedal", "Accel Pedal"],
    "manifold_pressure": ["MAP", "Manifold Absolute Pressure", "Manifold Pressure", "Manifold Abs", "Boost", "Boost Pressure", "Saugrohrdruck", "Ladedruck", "Ladedruck Ist", "Pression collecteur", "Presión colector", "Intake Manifold Pressure", "MAP Sensor", "Inlet Pressure", "Pression de suralimentation"],
    "barometric_pressure": ["Baro", "Barometric Pressure", "Barometer", "Luftdruck", "Umgebungsdruck", "Pression atmosphérique", "Presión barométrica", "Taikiatsu", "Atmospheric Pressure", "Ambient Pressure"],
    "boost_target": ["Boost Target", "Target Boost", "Desired Boost", "Ladedruck Soll", "Consigne pression suralimentation", "Boost Setpoint", "Boost Tgt", "Boost Wanted", "Requested Boost Pressure"],
    "wastegate_duty": ["Wastegate Duty", "WGDC", "Boost Duty", "Boost Solenoid Duty", "Wastegate DC", "WG Duty", "Tastverhältnis Ladedruck", "Boost Control Duty", "WG Duty Cycle"],
    "lambda": ["Lambda", "Lambda 1", "AFR", "Air Fuel Ratio", "Wideband", "Lambda Actual", "Lambda Ist", "Kuunenpi", "O2 Lambda", "Mixture"],
    "lambda_target": ["Lambda Target", "AFR Target", "Target AFR", "Lambda Soll", "Target Lambda", "Commanded AFR", "Lambda objetivo"],
    "intake_air_temp": ["IAT", "Intake Air Temp", "Intake Temp", "Intake Air Temperature", "Ansauglufttemperatur", "Ladelufttemperatur", "Température air admission", "Temperatura aire admisión", "Charge Air Temp", "Charge Temp", "MAT", "Kyuuki ondo"],
    "ambient_air_temp": ["Ambient Temp", "Ambient Air Temperature", "Außentemperatur", "Outside Temp", "Température extérieure", "Temperatura ambiente", "AAT"],
    "coolant_temp": ["ECT", "CLT", "Coolant Temp", "Engine Coolant Temperature", "Kühlmitteltemperatur", "Wassertemperatur", "Temp eau", "Temperatura refrigerante", "Suion", "Water Temp"],
    "oil_temp": ["Oil Temp", "Öltemperatur", "Température huile", "Temperatura aceite", "Engine Oil Temp", "Yuon"],
    "exhaust_gas_temp": ["EGT", "Exhaust Gas Temp", "Abgastemperatur", "EGT 1", "Exhaust Temp"],
    "fuel_pressure": ["Fuel Pressure", "Fuel Press", "Kraftstoffdruck", "Pression carburant", "Presión combustible", "Nenatsu", "Fuel Rail Pressure"],
    "oil_pressure": ["Oil Pressure", "Oil Press", "Öldruck", "Pression huile", "Presión aceite", "Yuatsu"],
    "injector_duty": ["Injector Duty", "Inj Duty", "IDC", "Injector Duty Cycle", "Inj DC"],
    "injector_pulse_width": ["Injector PW", "Pulse Width", "Einspritzzeit", "Injection Time", "Inj PW", "Injector Pulse Width"],
    "ignition_timing": ["Ignition Timing", "Timing Advance", "Ign Adv", "Spark Advance", "Zündwinkel", "Avance allumage", "Ign Timing", "Tenka jiki"],
    "knock_retard": ["Knock Retard", "KR", "Knock Ret", "Klopf Rücknahme", "Knock Correction"],
    "knock_level": ["Knock Level", "Knock Voltage", "Knock Signal"],
    "knock_count": ["Knock Count", "Knock Cnt", "Knock Sum"],
    "battery_voltage": ["Battery Voltage", "Battery", "VBat", "Batt V", "Batteriespannung", "Tension batterie", "Voltaje batería", "Bordspannung"],
    "mass_air_flow": ["MAF", "Mass Air Flow", "Luftmasse", "Air Flow", "Débit air"],
    "short_term_fuel_trim": ["STFT", "Short Term Fuel Trim", "STFT B1", "Trim Short"],
    "long_term_fuel_trim": ["LTFT", "Long Term Fuel Trim", "Long Trim"],
    "gear": ["Gear", "Gang", "Marcha", "Current Gear"],
    "turbo_speed": ["Turbo Speed", "Turbo RPM", "Turbo Revs"],
    "acceleration_longitudinal": ["Longitudinal Acceleration", "Accel Long", "Long G", "Accel X"],
}
PRESSURES = {"kPa": 1.0, "psi": 1 / 6.894757293168, "bar": 0.01, "mbar": 10.0}
REFERENCES = {  # how a unit's text tells gauge and absolute
    "kPa": {"g": "kPa(g)", "a": "kPa abs"}, "psi": {"g": "psig", "a": "psia"}, "bar": {"g": "bar gauge", "a": "bar(a)"}, "mbar": {"g": "mbar rel", "a": "hPa abs"},
}
CELSIUS, FAHRENHEIT = [("°C", 1, 0), ("C", 1, 0), ("degC", 1, 0)], [("°F", 1.8, 32), ("F", 1.8, 32), ("deg F", 1.8, 32)]
UNITS: dict[str, list[tuple[str, float, float]]] = {
    "engine_speed": [("rpm", 1, 0), ("1/min", 1, 0), ("rpm x 1000", 0.001, 0)],
    "vehicle_speed": [("km/h", 1, 0), ("kph", 1, 0), ("mph", 1 / 1.609344, 0), ("m/s", 1 / 3.6, 0)],
    "throttle_position": [("%", 1, 0)], "pedal_position": [("%", 1, 0)], "wastegate_duty": [("%", 1, 0)], "injector_duty": [("%", 1, 0)],
    "lambda": [("lambda", 1, 0), ("λ", 1, 0), ("AFR", 14.7, 0)], "lambda_target": [("lambda", 1, 0), ("AFR", 14.7, 0)],
    "injector_pulse_width": [("ms", 1, 0), ("us", 1000, 0)], "ignition_timing": [("deg", 1, 0), ("° BTDC", 1, 0), ("°KW", 1, 0)],
    "knock_retard": [("deg", 1, 0), ("°", 1, 0)], "knock_level": [("V", 1, 0)], "battery_voltage": [("V", 1, 0), ("mV", 1000, 0)],
    "mass_air_flow": [("g/s", 1, 0), ("kg/h", 3.6, 0), ("lb/min", 1 / 7.559872833, 0)], "acceleration_longitudinal": [("g", 1 / 9.80665, 0), ("m/s²", 1, 0)],
    "fuel_pressure": [("kPa", 1, 0), ("psi", 1 / 6.894757293168, 0), ("bar", 0.01, 0)], "oil_pressure": [("kPa", 1, 0), ("psi", 1 / 6.894757293168, 0), ("bar", 0.01, 0)],
    "turbo_speed": [("rpm", 1, 0)], "short_term_fuel_trim": [("%", 1, 0)], "long_term_fuel_trim": [("%", 1, 0)],
}
BARE: dict[str, list[tuple[str, float, float]]] = {  # what comes without a word on its unit
    "throttle_position": [("", 1, 0), ("", 0.01, 0)], "pedal_position": [("", 1, 0), ("", 0.01, 0)], "knock_retard": [("", 1, 0), ("", -1, 0)],
}
NOT_OURS = ["Boost Error", "Lambda Error", "RPM Limit", "Fuel Pressure Target", "Throttle Target", "Gear Ratio", "Exhaust Back Pressure", "Intake Cam Angle", "Lambda Correction",
            "Transmission Temp", "Engine Load", "Wastegate Position", "Idle Target RPM", "Steering Angle", "Catalyst Temp", "Max Boost", "Fuel Level", "Knock Threshold",
            "Injector Dead Time", "Cam Timing Target", "Ethanol Content", "Wheel Slip", "Analog 3", "Brake Pressure", "Marker"]
BASE = ("engine_speed", "throttle_position", "manifold_pressure", "lambda", "intake_air_temp", "coolant_temp")


def camel(text: str) -> str:
    words = text.replace("/", " ").split()
    return words[0].lower() + "".join(w[:1].upper() + w[1:] for w in words[1:])


STYLES = [lambda s: s, lambda s: s, str.upper, lambda s: s.lower().replace(" ", "_"), lambda s: s.replace(" ", ""), camel, lambda s: s.replace(" ", "."), str.lower]
