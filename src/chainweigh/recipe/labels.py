"""The settings a chain is called by ("Clip, ceiling hits - 3.13 dB"), kept true to its values."""

import re
from collections.abc import Sequence
from dataclasses import replace

from chainweigh.chain.chain import AnyStage, Chain
from chainweigh.chain.plugin_stage import PluginStage, parse_plugin_value
from chainweigh.chain.values import Value, parse_value
from chainweigh.effects.base import Setting
from chainweigh.errors import ChainFileError

CalledBy = tuple[int, str, str]
_BARE = {"True": True, "False": False}


def relabelled(chain: Chain, found: Sequence[CalledBy]) -> Chain:
    """The chain under a name that tells its settings as they are, where some were edited by hand.

    A label that could be of several settings, and is true of none, is left out.

    Parameters
    ----------
    found : stage counted from 0, parameter and what it was called by, of every found setting
    """
    name, labels = _split(chain)
    waiting = list(found)
    for key, text in labels:
        of_found = next((f for f in waiting if f[1:] == (key, text)), None)
        if of_found is not None:
            waiting.remove(of_found)
            now: str | None = _written(chain.stages[of_found[0]], key)
        else:
            now = _true_text(_stages_with(chain, key, found), key, text)
        name += "" if now is None else f", {key} {now}"
    return replace(chain, name=name)


def _stages_with(chain: Chain, key: str, found: Sequence[CalledBy]) -> list[AnyStage]:
    """The stages that set a parameter, without those where it was found if there are others."""
    setting = {n: stage for n, stage in enumerate(chain.stages) if key in stage.settings}
    others = setting.keys() - {number for number, of, _ in found if of == key}
    return [setting[number] for number in sorted(others or setting)]


def _split(chain: Chain) -> tuple[str, list[tuple[str, str]]]:
    """The chain's own name, and parameter and text of each setting named after it."""
    keys = sorted({key for stage in chain.stages for key in stage.settings}, key=len, reverse=True)
    if not keys:
        return chain.name, []
    name, *rest = re.split(rf", ({'|'.join(map(re.escape, keys))}) ", chain.name)
    return name, list(zip(rest[::2], rest[1::2], strict=True))


def _true_text(stages: Sequence[AnyStage], key: str, text: str) -> str | None:
    """What a label must say now: the text itself where it is true or no value of the parameter."""
    now = [_written(stage, key) for stage in stages]
    if text in now or not any(_can_be(stage, key, text) for stage in stages):
        return text
    return now[0] if len(now) == 1 else None


def _written(stage: AnyStage, key: str) -> str:
    return str(stage.written()[key])


def _can_be(stage: AnyStage, key: str, text: str) -> bool:
    """Whether a text reads as a value of a stage's parameter."""
    for value in _readings(text):
        try:
            _parse(stage, key, value)
        except ChainFileError:
            continue
        return True
    return False


def _readings(text: str) -> list[Setting]:
    readings: list[Setting] = [_BARE.get(text, text)]
    for number in (int, float):
        try:
            readings.append(number(text))
        except ValueError:
            continue
    return readings


def _parse(stage: AnyStage, key: str, value: Setting) -> Value:
    if isinstance(stage, PluginStage):
        return parse_plugin_value(stage.plugin, key, value)
    parameter = next(p for p in stage.effect.parameters if p.name == key)
    return parse_value(parameter, value)
