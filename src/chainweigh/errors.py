"""Every error chainweigh raises on purpose: one root, children that also are builtins."""


class ChainweighError(Exception):
    """Root of all errors a user can mend; the text says what, where and what is allowed."""


class SignalError(ChainweighError, ValueError):
    """Samples, rates or lengths handed to a function are not what it accepts."""


class AudioFileError(ChainweighError, ValueError):
    """An audio file cannot be read or written as audio."""


class SongError(ChainweighError, ValueError):
    """A song folder or its song.toml is not usable."""


class ChainFileError(ChainweighError, ValueError):
    """A chain file, effect, key, unit or parameter value is not usable."""


class RenderError(ChainweighError, RuntimeError):
    """A chain failed while it was rendered."""


class RecipeError(ChainweighError, ValueError):
    """A recipe file is not usable, or does not fit the song."""


class SettingsError(ChainweighError, ValueError):
    """Price, budget, target or ceiling of a ranking are not usable."""


class RunFolderError(ChainweighError, OSError):
    """A run's folder cannot be read or written."""


class PluginError(ChainweighError, ValueError):
    """A plug-in file, plug-in or one of its parameters cannot be used as asked."""


class PluginFaultError(ChainweighError, RuntimeError):
    """A plug-in crashed, hung or returned what no effect may return.

    `said` is what it last wrote to its standard output or error; the text ends with it.
    """

    def __init__(self, reason: str, said: str = "") -> None:
        super().__init__(f'{reason}; it last said "{said}"' if said else reason)
