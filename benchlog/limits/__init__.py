"""Where a limit comes from: value, unit, source and confidence.

bringup, curve      acceptance and stop limits of a bring-up step at any inlet voltage
features, patterns  named conditions that settled readings fit, ranked, with their evidence
forecast, typical   what the next step may draw, and what that assumes; the usual curve of a kind
fuse, mains         fuses; nameplate, source, transformer
parts, powered      parts measured cold; checks with power on
safety              safety tests by country
preferred           value codes and preferred numbers
catalogue           every limit by name
"""
