"""Pure computation on arrays and readings.

settling      slope test, settled or not, rise at one voltage
waveform      all figures of a sampled switch-on (crossings, switching, integral, flattop, wavedoubts)
slow          figures of a step from a slow meter's readings
trend         Mann-Kendall, Theil-Sen, drift of a soak and its time to a limit
uncertainty   the linear bound and the full budget
power         power factor and whether it can be told
decision      zones of a bring-up and of a point, conformance probability, guard bands
forecast      a known curve moved to the unit's own readings; merging of references
interpolate   shape-preserving curves
student       quantiles of Student's t and the normal
"""
