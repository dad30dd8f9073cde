"""A site's files: read, checked all at once, and put together into what the core runs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from aggregator.config.devices import build_devices
from aggregator.config.document import Document, read
from aggregator.config.envelopes import build_envelope
from aggregator.config.files import MapKeys, MetersKeys, ProfileKeys, SiteKeys
from aggregator.config.findings import Findings
from aggregator.config.listeners import check_listeners
from aggregator.config.meters import build_meters
from aggregator.config.profiles import ProfileBuilder
from aggregator.config.sentences import Model, validate
from aggregator.core.errors import ConfigurationError, Place, Problem
from aggregator.core.profile import Profile
from aggregator.core.site import Declared

__all__ = ["Configuration", "load"]


@dataclass(frozen=True, slots=True)
class Configuration:
    """A folder of files that make a site: how to run it, and what is in it."""

    folder: Path
    service: SiteKeys
    declared: Declared


def load(folder: Path) -> Configuration:
    """The site in a folder. Raises ConfigurationError with every problem in all of its files."""
    if not folder.is_dir():
        raise ConfigurationError([Problem(Place(str(folder)), "the folder is not there", "Name the site's folder")])
    findings = Findings()
    site = _part(SiteKeys, folder / "site.yaml", findings)
    if site is not None:
        check_listeners(*site, findings)
    meters = _part(MetersKeys, folder / "meters.yaml", findings)
    map_ = _part(MapKeys, folder / "map.yaml", findings)
    profiles = _profiles(folder / "profiles", findings)
    # What refers to a part that cannot be read is not wrong itself: such follow-ups would bury the cause.
    if profiles is not None and meters is not None:
        built = build_meters(*meters, profiles, findings)
        if map_ is not None:
            devices = build_devices(*map_, {each.tag: built.get(each.tag) for each in meters[0].meters}, findings)
            if site is not None and not findings.problems:
                keys, file = site
                envelopes = tuple(
                    build_envelope(each, file.place("uplinks", at)) for at, each in enumerate(keys.uplinks)
                )
                return Configuration(folder, keys, Declared(keys.site, tuple(built.values()), envelopes, devices))
    raise ConfigurationError(findings.problems)


def _profiles(folder: Path, findings: Findings) -> dict[str, Profile] | None:
    """Every profile by its name, None where one cannot be read or a name has two meanings."""
    for path in sorted(folder.glob("*.yml")):
        findings.wrong(Place(str(path)), "files end in .yaml here, and this one is not read", "Rename it")
    parts = [_part(ProfileKeys, path, findings) for path in sorted(folder.glob("*.yaml"))]
    if not parts:
        findings.wrong(Place(str(folder)), "there are no profiles", "Add a file for each meter model")
    if not parts or None in parts:
        return None
    profiles: dict[str, Profile] = {}
    twice = False
    for keys, file in (part for part in parts if part is not None):
        profile = ProfileBuilder(keys, file, findings).build()
        if profile.name in profiles:
            what = f"profile {profile.name} stands in {profiles[profile.name].place.short} too"
            findings.wrong(profile.place, what, "Give one of them another name")
            twice = True
        profiles[profile.name] = profile
    return None if twice else profiles


def _part(model: type[Model], path: Path, findings: Findings) -> tuple[Model, Document] | None:
    try:
        document = read(path)
        return validate(model, document), document
    except ConfigurationError as error:
        findings.problems += error.problems
        return None
