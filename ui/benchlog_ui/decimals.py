"""How figures are typed here: whether a comma stands for the decimal point."""

from PySide6.QtCore import QLocale


def decimal_comma() -> bool:
    """Whether the system's numeric locale writes a decimal comma; read anew each time."""
    return QLocale.system().decimalPoint() == ","
