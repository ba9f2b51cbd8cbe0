"""Where the network header of a captured packet begins, by the link type of the capture. Pure.

Sources: the registry of link-layer header types, draft-ietf-opsawg-pcaplinktype; IEEE 802.1Q (tags); RFC 894; RFC 2516 (PPPoE
is left alone).
"""

from __future__ import annotations

ETHERNET = 1
_NULL, _RAW, _LOOP, _COOKED, _COOKED2, _V4, _V6 = 0, 101, 108, 113, 276, 228, 229
_RAW_AS_WRITTEN = (12, 14)  # what some systems write into the file in place of 101
_IP = frozenset({0x0800, 0x86DD})
_TAGS = frozenset(
    {0x8100, 0x88A8, 0x9100}
)  # customer tag, service tag, and the service tag of older switches
_DEEPEST = 8  # tags of one packet that are walked through

KNOWN = frozenset({ETHERNET, _NULL, _RAW, _LOOP, _COOKED, _COOKED2, _V4, _V6, *_RAW_AS_WRITTEN})
"""Link types that are read."""


def network_at(link: int, data: bytes, start: int, end: int) -> int | None:
    """Where the IP header begins, None where there is none or the link type is not known.

    Args:
        start, end: Where in `data` the packet is.
    """
    if link == ETHERNET:
        return _tagged(data, start + 12, end)
    if link == _COOKED:
        return _tagged(data, start + 14, end)
    if link == _COOKED2:
        # The protocol comes first here, and the network header after 20 octets.
        if end - start < 20:
            return None
        kind = int.from_bytes(data[start : start + 2], "big")
        if kind in _IP:
            return start + 20
        return _tagged(data, start + 18, end, kind) if kind in _TAGS else None
    if link in (_NULL, _LOOP):
        # Four octets name the family; its number differs by system, and IP's own version says the same.
        return start + 4 if end - start > 4 else None
    if link in (_RAW, _V4, _V6, *_RAW_AS_WRITTEN):
        return start if end > start else None
    return None


def _tagged(data: bytes, at: int, end: int, kind: int | None = None) -> int | None:
    """Walk through the tags at a place.

    Args:
        at: Of the EtherType.
        kind: That EtherType, where it is not written there.
    """
    for _ in range(_DEEPEST):
        if end - at < 2:
            return None
        kind = int.from_bytes(data[at : at + 2], "big") if kind is None else kind
        if kind in _IP:
            return at + 2
        if kind not in _TAGS:
            return None
        kind, at = None, at + 4
    return None
