"""What the control socket can ask about the site's settings: what they are, and to change one."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from aggregator.commands.asking import is_number, text_of, who_asks
from aggregator.commands.running import OfTheRunningSite
from aggregator.control import Command, Refused, Request
from aggregator.core.reading import Now
from aggregator.core.setting import OutsideLimits
from aggregator.core.site import Site

MOST_TOLD = 300  # settings told in one answer; an answer has its bounds


class SettingCommands(OfTheRunningSite):
    """The commands about the settings of one service."""

    def __init__(self, site: Callable[[], Site], now: Callable[[], Now], keep: Callable[[], object]) -> None:
        super().__init__(site, now)
        self._keep = keep

    def table(self) -> Mapping[str, Command]:
        """Every command by its name."""
        return {"settings": self.settings, "set": self.change}

    async def settings(self, _request: Request) -> Mapping[str, object]:
        """Every setting, in the order of the file."""
        declared = self._site.settings.declared
        return {"settings": [self._told(name) for name in list(declared)[:MOST_TOLD]], "count": len(declared)}

    async def change(self, request: Request) -> Mapping[str, object]:
        """Change a setting, in its unit; without a value it is the file's again."""
        name, value, who = text_of(request, "setting"), request.get("value"), who_asks(request)
        if name not in self._site.settings.declared:
            raise Refused(f"this site has no setting {name}.")
        if value is not None and not is_number(value):
            raise Refused("`value` is a number in the setting's unit.")
        try:
            self._site.change_setting(name, value, who=who, now=self._now())
        except OutsideLimits as error:
            raise Refused(str(error)) from None
        self._keep()
        return self._told(name)

    def _told(self, name: str) -> dict[str, object]:
        settings = self._site.settings
        setting, asked = settings.declared[name], settings.asked.get(name)
        return {
            "setting": name,
            "label": setting.label,
            "unit": setting.unit,
            "requested": settings.requested(name),
            "effective": settings.effective(name),
            "default": setting.default,
            "low": setting.low,
            "high": setting.high,
            "who": asked.who if asked else None,
            "at": asked.at if asked else None,
        }
