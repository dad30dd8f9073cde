"""A whole site: its files read, checked all at once, and put together into what the core runs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from aggregator.config.alarms import build_alarms
from aggregator.config.data_folder import data_folder
from aggregator.config.devices import build_devices
from aggregator.config.document import Document, read
from aggregator.config.envelopes import build_envelope
from aggregator.config.files import SiteKeys
from aggregator.config.findings import Findings
from aggregator.config.frozen import Frozen, read_frozen
from aggregator.config.listeners import check_listeners, check_served
from aggregator.config.map_keys import MapKeys
from aggregator.config.meter_keys import MetersKeys
from aggregator.config.meters import build_meters
from aggregator.config.profile_keys import ProfileKeys
from aggregator.config.profiles import ProfileBuilder
from aggregator.config.sentences import Model, validate
from aggregator.config.settings import build_settings
from aggregator.core.breach import breaches
from aggregator.core.errors import ConfigurationError, Place, Problem
from aggregator.core.profile import Profile
from aggregator.core.promise import Promise
from aggregator.core.site import Declared


@dataclass(frozen=True, slots=True)
class Configuration:
    """A folder of files that make a site: how to run it, and what is in it."""

    folder: Path
    service: SiteKeys
    declared: Declared
    frozen: tuple[Promise, ...] = ()  # what plant software relies on of its map
    freezes: bool = False  # whether there is a file that says so

    @property
    def data_folder(self) -> Path:
        """Where its data stand."""
        return data_folder(self.folder, self.service.storage.folder)


def load(folder: Path, *, hold_frozen: bool = True) -> Configuration:
    """The site in a folder. Raises ConfigurationError with every problem in all of its files.

    A map that breaks what is frozen is such a problem, whoever loads it; only to compare maps it is let pass.
    """
    if not folder.is_dir():
        raise ConfigurationError([Problem(Place(str(folder)), "the folder is not there", "Name the site's folder")])
    findings = Findings()
    site = _part(SiteKeys, folder / "site.yaml", findings)
    if site is not None:
        check_listeners(*site, findings)
    of_the_service = len(findings.problems)
    meters = _part(MetersKeys, folder / "meters.yaml", findings)
    map_ = _part(MapKeys, folder / "map.yaml", findings)
    profiles = _profiles(folder / "profiles", findings)
    kept = _frozen(folder, findings)
    frozen = () if kept is None else kept.promises
    # What refers to a part that cannot be read is not wrong itself: such follow-ups would bury the cause.
    if profiles is not None and meters is not None:
        built = build_meters(*meters, profiles, findings)
        alarms = build_alarms(*meters, built, findings)
        settings = build_settings(*meters, findings)
        if map_ is not None:
            known = {each.tag: built.get(each.tag) for each in meters[0].meters}
            devices = build_devices(*map_, known, settings, alarms, findings)
            # A map that is wrong already breaks more than it means to.
            if hold_frozen and len(findings.problems) == of_the_service:
                findings.problems += breaches(frozen, devices, map_[1].file)
            if site is not None:
                check_served(*site, devices, findings)
            if site is not None and not findings.problems:
                keys, file = site
                envelopes = tuple(
                    build_envelope(each, file.place("uplinks", at)) for at, each in enumerate(keys.uplinks)
                )
                revision = map_[0].revision or ""
                numbers = tuple(settings.values())
                declared = Declared(keys.site, tuple(built.values()), envelopes, devices, revision, alarms, numbers)
                return Configuration(folder, keys, declared, frozen, kept is not None)
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


def _frozen(folder: Path, findings: Findings) -> Frozen | None:
    try:
        return read_frozen(folder)
    except ConfigurationError as error:
        findings.problems += error.problems
        return None


def _part(model: type[Model], path: Path, findings: Findings) -> tuple[Model, Document] | None:
    try:
        document = read(path)
        return validate(model, document), document
    except ConfigurationError as error:
        findings.problems += error.problems
        return None
