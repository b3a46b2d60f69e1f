"""Who issues certificates, for which meter, and in which words: what no run can know."""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Issuer:
    """The maker's own part of a certificate (``reports/certificate.toml``).

    Args:
        country: code of two letters (ISO 3166-1); ZZ is nobody's.
        titles: what groups of results are called, by the name of the group.
    """

    maker: str
    address: str
    place: str  # where the checks are performed
    meter: str
    description: str
    customer: str
    method: str
    specification: str
    condition: str  # of the item, when the run has noted none
    authorised_by: str
    country: str = "ZZ"
    titles: Mapping[str, str] = field(default_factory=dict)
