"""Payloads of history entries as they are stored: JSON with the kind as ``type``."""

from datetime import datetime

import msgspec

from benchlog.model.history import Entry, Payload, Withheld
from benchlog.session.schema import MOST_IN_PAYLOAD

_encoder = msgspec.json.Encoder()
_decoder: msgspec.json.Decoder[Payload] = msgspec.json.Decoder(Payload)


def kind_of(payload: Payload) -> str:
    """The stable name of an entry's kind, e.g. ``note``."""
    return str(payload.__struct_config__.tag)


def kind_in_history(payload: Payload) -> str:
    """The kind that an entry is filed under, also where its payload is withheld."""
    return payload.kind if isinstance(payload, Withheld) else kind_of(payload)


def encode_payload(payload: Payload) -> bytes:
    """JSON of a payload. `ValueError` where it could not be read back or is too large, and for `Withheld`."""
    if isinstance(payload, Withheld):
        raise ValueError("an entry that stands for a withheld one is never written")
    text = _encoder.encode(payload)
    if len(text) > MOST_IN_PAYLOAD:
        raise ValueError(f"this {kind_of(payload)} entry is larger than {MOST_IN_PAYLOAD // 10**6} MB")
    try:
        _decoder.decode(text)
    except msgspec.DecodeError as error:
        raise ValueError(f"this {kind_of(payload)} entry can't be stored: {error}") from error
    return text


def decode_payload(text: str | bytes) -> Payload:
    """The payload of its JSON. `msgspec.DecodeError` for anything else."""
    try:
        return _decoder.decode(text)
    except RecursionError as error:
        raise msgspec.DecodeError("it is nested too deeply") from error


def entry_of(seq: int, t_us: int, wall: str, kind: str, payload: str | None) -> Entry:
    """An entry of its row; a withheld payload is given as `Withheld`. `ValueError` where it can't be read."""
    content = Withheld(kind) if payload is None else decode_payload(payload)
    return Entry(seq, t_us, datetime.fromisoformat(wall), content)
