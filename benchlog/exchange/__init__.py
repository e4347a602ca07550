"""Session data out to and in from other formats.

sessioncsv, historycsv, readingscsv     a folder of CSV files
sessionjson                             everything as JSON, with its schema
sessionxlsx, wavenpz                    a spreadsheet with charts; waveforms as numpy arrays
sessionimport                           JSON and CSV of ours back into a session
wavecsv, slowcsv, table                 waveforms and slow readings of other instruments
rows, freetext, isotime                 cells, text that is never a formula, wall-clock times
"""
