"""The best truly separate ways that the plant allows, or the proof that there are none.

The package is named after what it does and may be called: `waysapart.reroute(study)`
is `waysapart.reroute.ask.reroute(study)`, whichever was imported first.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any


class _Stage(ModuleType):
    """A package that may be called."""

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        from waysapart.reroute.ask import reroute

        return reroute(*args, **kwargs)


sys.modules[__name__].__class__ = _Stage
