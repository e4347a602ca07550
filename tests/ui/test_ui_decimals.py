"""The decimal comma of the system; what each locale writes is from the Unicode CLDR, as Qt carries it."""

import os
import subprocess
import sys

import pytest


@pytest.mark.parametrize(("name", "comma"), [("de_DE.UTF-8", True), ("en_US.UTF-8", False)])
def test_the_systems_locale_decides(name, comma):
    ran = subprocess.run(
        [sys.executable, "-c", "from benchlog_ui.decimals import decimal_comma; print(decimal_comma())"],
        env={**os.environ, "LC_ALL": name, "LC_NUMERIC": name, "LANG": name},
        capture_output=True,
        text=True,
        check=True,
    )
    assert ran.stdout.strip() == str(comma)
