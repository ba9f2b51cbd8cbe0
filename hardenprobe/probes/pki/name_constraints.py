"""Name constraints: which names an authority may vouch for.

Source: RFC 5280 sections 4.2.1.10 and 6.1.4. DNS names, addresses and directory names are understood; a certificate with
a name of another kind that is constrained breaks the path, as it must.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from cryptography import x509


def violation(path: Sequence[x509.Certificate]) -> str | None:
    """Why a name of the path breaks a constraint of an authority above it; None where none does.

    Args:
        path: The leaf first, the anchor last.
    """
    for height, authority in enumerate(path[1:], 1):
        try:
            limits = authority.extensions.get_extension_for_class(x509.NameConstraints).value
        except x509.ExtensionNotFound:
            continue
        for depth, certificate in enumerate(path[:height]):
            if depth and certificate.issuer == certificate.subject:
                continue  # self-issued, section 6.1.3 (b)
            for name in _names(certificate):
                if problem := _problem(name, limits):
                    return f"{authority.subject.rfc4514_string()[:200]} may not vouch for {problem[:200]}"
    return None


def _names(certificate: x509.Certificate) -> Iterable[x509.GeneralName]:
    if list(certificate.subject):
        yield x509.DirectoryName(certificate.subject)
    try:
        yield from certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return


def _problem(name: x509.GeneralName, limits: x509.NameConstraints) -> str | None:
    permitted = [base for base in limits.permitted_subtrees or () if type(base) is type(name)]
    excluded = [base for base in limits.excluded_subtrees or () if type(base) is type(name)]
    if not permitted and not excluded:
        return None
    if not isinstance(name, x509.DNSName | x509.IPAddress | x509.DirectoryName):
        return f"a name of a kind that is not understood: {name.value!r}"
    outside = bool(permitted) and not any(_within(name, base) for base in permitted)
    return str(name.value) if outside or any(_within(name, base) for base in excluded) else None


def _within(name: x509.GeneralName, base: x509.GeneralName) -> bool:
    if isinstance(name, x509.DNSName) and isinstance(base, x509.DNSName):
        have, want = name.value.lower(), base.value.lower().removeprefix(".")
        return not want or have == want and not base.value.startswith(".") or have.endswith("." + want)
    if isinstance(name, x509.IPAddress) and isinstance(base, x509.IPAddress):
        address, network = name.value, base.value
        return getattr(address, "version", 0) == getattr(network, "version", 1) and address in network  # type: ignore[operator]
    if isinstance(name, x509.DirectoryName) and isinstance(base, x509.DirectoryName):
        above = list(base.value.rdns)
        return list(name.value.rdns)[: len(above)] == above
    return False
