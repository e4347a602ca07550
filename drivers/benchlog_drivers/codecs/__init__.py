"""Pure codecs: bytes in; bytes used and a result out. No I/O, no clock."""
