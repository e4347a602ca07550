"""Single instruments of every family to practise with, over real transports, with troubles on demand.

``python -m benchlog_drivers.practice --profile simulated-segment-meter`` serves one and says how to reach it.
"""
