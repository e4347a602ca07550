"""The document that is handed over, and whether it still says what its data say.

document                    gathers and makes it: `make_document`, `lay_out`
heading, findings, tables, pairs, wording, customer      what it says
charts, bringup_charts, job_charts                       what it draws
content, legible, stamp, compile, *.typ                  from data to PDF/A-3
pages, checking             a document read back; `verify_document`
comparison                  sessions beside each other: `compare`, `make_comparison`
"""
