"""Free text in a spreadsheet's cells: never a formula, and back to what it was.

A cell that begins with ``=``, ``+``, ``-`` or ``@`` (also full-width, also after blanks, a tab or a line
break) is run as a formula by spreadsheets that open a CSV file (OWASP, "CSV Injection"). Such text gets
one apostrophe in front; so does text that begins with an apostrophe, so that taking one off again always
gives back what was there. Numbers are never marked.
"""

MARK = "'"

_STARTS = ("=", "+", "-", "@", "＝", "＋", "－", "＠", MARK)


def guard(text: str) -> str:
    """The text as it may stand in a cell."""
    risky = text[:1] in ("\t", "\r", "\n") or text.lstrip().startswith(_STARTS)
    return MARK + text if risky else text


def unguard(cell: str) -> str:
    """The text that a cell made by `guard` holds."""
    return cell.removeprefix(MARK)
