"""One file a family: the thin port side that turns a codec and a transport into an adaptor."""
