"""The session file: create, append, read, close, verify, copy, salvage.

    schema, connection      the tables; opening for the one writer or for looking only
    writer                  `SessionWriter`, `finish`
    batch, storing, resume  one commit; where a session stands when its writer begins
    chain, verification     the links; `verify`
    reader                  `SessionReader`
    series, summary, reduction, timeaxis   arrays, the summary, curves, wall-clock time
    copying                 `copy_session`, `withhold`
    carve, salvage          rows out of damaged pages; `salvage`
    lock, place             who records a session; where it is kept, free space
    crashlog                where the details of a bug are kept
    faults                  the seam at which `sqlite3` and the file system become `SessionFault`

Nothing is imported here: numpy is to be loaded only when it is needed.
"""
