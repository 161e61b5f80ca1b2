"""What an LV2 bundle says of its plug-ins in Turtle, read without running any of their code.

References
----------
LV2 1.18 specification: lv2core, patch, units, port-groups, state, presets.
"""

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

from chainweigh.errors import PluginError
from chainweigh.hosts.binary import printable

CORE = "http://lv2plug.in/ns/lv2core#"
ATOM = "http://lv2plug.in/ns/ext/atom#"
PATCH = "http://lv2plug.in/ns/ext/patch#"
STATE = "http://lv2plug.in/ns/ext/state#"
UNITS = "http://lv2plug.in/ns/extensions/units#"
OPTIONS = "http://lv2plug.in/ns/ext/options#"
_GROUPS = "http://lv2plug.in/ns/ext/port-groups#"
_PRESETS = "http://lv2plug.in/ns/ext/presets#"
_RESIZE = "http://lv2plug.in/ns/ext/resize-port#"
_RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
_RDFS = "http://www.w3.org/2000/01/rdf-schema#"
_DOAP = "http://usefulinc.com/ns/doap#"
_FOAF = "http://xmlns.com/foaf/0.1/"
_XSD = "http://www.w3.org/2001/XMLSchema#"
_SYMBOLS = {
    "db": "dB", "hz": "Hz", "khz": "kHz", "mhz": "MHz", "ms": "ms", "s": "s", "min": "min",
    "pc": "%", "oct": "oct", "cent": "ct", "semitone12TET": "semi", "bpm": "BPM", "degree": "deg",
    "frame": "frames", "beat": "beats", "bar": "bars", "midiNote": "note", "m": "m", "cm": "cm",
    "mm": "mm",
}  # fmt: skip
_ATOM_OF_LITERAL = {
    "integer": "Int", "int": "Int", "long": "Long", "float": "Float", "decimal": "Float",
    "double": "Double", "boolean": "Bool", "base64Binary": "Chunk",
}  # fmt: skip


@dataclass(frozen=True)
class Quantity:
    """What a control port or a writable property holds; bounds as written."""

    name: str
    unit: str
    default: float | None
    minimum: float | None
    maximum: float | None
    points: tuple[tuple[float, str], ...]
    properties: frozenset[str]
    atom_type: str = ATOM + "Float"


@dataclass(frozen=True)
class Port:
    """One port; kinds, designation and properties are whole URIs."""

    index: int
    symbol: str
    kinds: frozenset[str]
    designation: str
    side_chain: bool
    handles_patch: bool
    least_bytes: int
    quantity: Quantity

    def is_a(self, *names: str) -> bool:
        """Whether it is of every one of these kinds of lv2core."""
        return all(CORE + name in self.kinds for name in names)

    @property
    def optional(self) -> bool:
        """Whether it may be left unconnected."""
        return CORE + "connectionOptional" in self.quantity.properties


@dataclass(frozen=True)
class Preset:
    """Values of control ports by symbol, and a state as Description.default_state."""

    name: str
    values: dict[str, float]
    state: dict[str, tuple[str, Any]]


@dataclass(frozen=True)
class Description:
    """One plug-in as its bundle describes it.

    Attributes
    ----------
    properties : URI -> what it holds, of each patch:writable property
    default_state : URI -> atom type and value; loaded where the plug-in asks for that
    """

    uri: str
    binary: Path
    bundle: Path
    name: str
    vendor: str
    version: str
    kinds: frozenset[str]
    required: frozenset[str]
    optional: frozenset[str]
    required_options: frozenset[str]
    ports: tuple[Port, ...]
    properties: dict[str, Quantity] = field(default_factory=dict)
    default_state: dict[str, tuple[str, Any]] = field(default_factory=dict)
    presets: tuple[Preset, ...] = ()


def read_bundle(bundle: Path) -> tuple[Description, ...]:
    """Every plug-in of a bundle, in the order of their URIs; other bundles hold none.

    Raises
    ------
    PluginError
        No manifest.ttl, a file that is no Turtle (named, with the reason).
    """
    manifest = bundle / "manifest.ttl"
    if not manifest.is_file():
        raise PluginError(f"{bundle}: not an LV2 bundle: it holds no manifest.ttl")
    return _Reader(bundle, manifest).descriptions()


def read_presets(path: Path) -> dict[str, tuple[frozenset[str], Preset]]:
    """Every preset of a Turtle file or bundle: URI -> plug-ins it applies to, and its values.

    Raises
    ------
    PluginError
        No such file, or one that is no Turtle.
    """
    folder, file = (path, path / "manifest.ttl") if path.is_dir() else (path.parent, path)
    return _Reader(folder, file).presets()


class _Reader:
    def __init__(self, bundle: Path, manifest: Path) -> None:
        from rdflib import Graph

        self._bundle = bundle.resolve()
        self._graph = Graph("SimpleMemory")
        self._read: set[Path] = set()
        self._parse(self._bundle / manifest.name)

    def _parse(self, file: Path) -> None:
        if file in self._read:
            return
        self._read.add(file)
        try:
            self._graph.parse(data=file.read_bytes(), format="turtle", publicID=file.as_uri())
        except (SyntaxError, ValueError) as error:
            said = " ".join(str(error).split("\n")[:2])  # then come the bytes of the place
            reason = said.replace(" of <>", "").removesuffix(" at ^ in:").strip()
            raise PluginError(f"{file}: is no Turtle: {reason}") from error
        except OSError as error:
            raise PluginError(f"{file}: cannot be read ({error.strerror})") from error

    def descriptions(self) -> tuple[Description, ...]:
        from rdflib import URIRef

        found = self._graph.subjects(URIRef(_RDF + "type"), URIRef(CORE + "Plugin"))
        plugins = sorted({node for node in found if isinstance(node, URIRef)})
        self._parse_more((*plugins, *self._preset_nodes()))
        return tuple(self._describe(plugin) for plugin in plugins)

    def presets(self) -> dict[str, tuple[frozenset[str], Preset]]:
        self._parse_more(self._preset_nodes())
        return {
            str(node): (
                self._uris(node, CORE + "appliesTo"),
                self._preset(node, self._text(node, _RDFS + "label") or str(node)),
            )
            for node in self._preset_nodes()
        }

    def _preset_nodes(self) -> list[Any]:
        from rdflib import URIRef

        found = self._graph.subjects(URIRef(_RDF + "type"), URIRef(_PRESETS + "Preset"))
        return sorted(found, key=str)

    def _parse_more(self, nodes: Iterable[Any]) -> None:
        """The files of the bundle these nodes say to look at too."""
        for node in nodes:
            for file in self._all(node, _RDFS + "seeAlso"):
                path = self._path(file)
                if path is not None:
                    self._parse(path)

    def _path(self, node: Any) -> Path | None:
        """A file of the bundle a node stands for, None for anything else."""
        parts = urlsplit(str(node))
        if parts.scheme != "file":
            return None
        path = Path(os.path.normpath(unquote(parts.path)))  # links stay: they may lead elsewhere
        return path if path.is_relative_to(self._bundle) else None

    def _all(self, node: Any, predicate: str) -> Iterator[Any]:
        from rdflib import URIRef

        return self._graph.objects(node, URIRef(predicate))

    def _one(self, node: Any, predicate: str) -> Any:
        return next(self._all(node, predicate), None) if node is not None else None

    def _uris(self, node: Any, *predicates: str) -> frozenset[str]:
        return frozenset(str(v) for predicate in predicates for v in self._all(node, predicate))

    def _text(self, node: Any, *predicates: str) -> str:
        """A literal in no language or English, of the first predicate that has one."""
        for predicate in predicates if node is not None else ():
            texts = {getattr(v, "language", None) or "": v for v in self._all(node, predicate)}
            for language in ("", *(key for key in sorted(texts) if key.startswith("en"))):
                if language in texts:
                    return printable(str(texts[language]).encode())
        return ""

    def _number(self, node: Any, predicate: str) -> float | None:
        value = self._one(node, predicate)
        if value is None:
            return None
        try:
            return float(value.toPython())
        except (TypeError, ValueError):
            raise PluginError(
                f'{self._bundle}: {predicate.rpartition("#")[2]} "{value}" is no number'
            ) from None

    def _describe(self, node: Any) -> Description:
        binary = self._path(self._one(node, CORE + "binary"))
        if binary is None:
            raise PluginError(f"{self._bundle}: names no binary of {node} in the bundle")
        version = [self._number(node, CORE + key) for key in ("minorVersion", "microVersion")]
        return Description(
            uri=str(node),
            binary=binary,
            bundle=self._bundle,
            name=self._text(node, _DOAP + "name") or str(node),
            vendor=self._vendor(node) or self._vendor(self._one(node, CORE + "project")),
            version=".".join(f"{part:g}" for part in version if part is not None),
            kinds=self._kinds(node),
            required=self._uris(node, CORE + "requiredFeature"),
            optional=self._uris(node, CORE + "optionalFeature"),
            required_options=self._uris(node, OPTIONS + "requiredOption"),
            ports=self._ports(node),
            properties={
                str(item): self._quantity(item)
                for item in sorted(self._all(node, PATCH + "writable"))
            },
            default_state=self._state(self._one(node, STATE + "state")),
            presets=self._presets(node),
        )

    def _presets(self, plugin: Any) -> tuple[Preset, ...]:
        """Those of the bundle, by name; of two with one name the second is called by its URI."""
        from rdflib import URIRef

        of_plugin = self._graph.subjects(URIRef(CORE + "appliesTo"), plugin)
        found: dict[str, Preset] = {}
        for node in sorted(
            (n for n in of_plugin if _PRESETS + "Preset" in self._kinds(n)), key=str
        ):
            name = self._text(node, _RDFS + "label")
            name = name if name and name not in found else str(node)
            found[name] = self._preset(node, name)
        return tuple(found[name] for name in sorted(found))

    def _preset(self, node: Any, name: str) -> Preset:
        values = dict(self._preset_value(port) for port in self._all(node, CORE + "port"))
        return Preset(name, values, self._state(self._one(node, STATE + "state")))

    def _preset_value(self, node: Any) -> tuple[str, float]:
        symbol, value = self._text(node, CORE + "symbol"), self._number(node, _PRESETS + "value")
        if value is None:
            raise PluginError(f'{self._bundle}: a preset gives no value for "{symbol}"')
        return symbol, value

    def _kinds(self, node: Any) -> frozenset[str]:
        return self._uris(node, _RDF + "type")

    def _vendor(self, node: Any) -> str:
        for predicate in (_DOAP + "maintainer", _DOAP + "developer"):
            name = self._text(self._one(node, predicate), _FOAF + "name")
            if name:
                return name
        return ""

    def _ports(self, plugin: Any) -> tuple[Port, ...]:
        ports = sorted(
            (self._port(node) for node in self._all(plugin, CORE + "port")), key=lambda p: p.index
        )
        if [port.index for port in ports] != list(range(len(ports))):
            raise PluginError(f"{self._bundle}: the ports of {plugin} are not numbered 0, 1, 2 ...")
        return tuple(ports)

    def _port(self, node: Any) -> Port:
        index = self._number(node, CORE + "index")
        group = self._one(node, _GROUPS + "group")
        properties = self._uris(node, CORE + "portProperty")
        return Port(
            index=-1 if index is None else int(index),
            symbol=self._text(node, CORE + "symbol"),
            kinds=self._kinds(node),
            designation=str(self._one(node, CORE + "designation") or ""),
            side_chain=CORE + "isSideChain" in properties
            or self._one(group, _GROUPS + "sideChainOf") is not None,
            handles_patch=PATCH + "Message" in self._uris(node, ATOM + "supports"),
            least_bytes=int(self._number(node, _RESIZE + "minimumSize") or 0),
            quantity=self._quantity(node),
        )

    def _quantity(self, node: Any) -> Quantity:
        points = (
            (self._number(point, _RDF + "value"), self._text(point, _RDFS + "label"))
            for point in self._all(node, CORE + "scalePoint")
        )
        name = self._text(node, CORE + "name", _RDFS + "label", CORE + "symbol")
        return Quantity(
            name=name or str(node).rpartition("#")[2],
            unit=self._unit(self._one(node, UNITS + "unit")),
            default=self._number(node, CORE + "default"),
            minimum=self._number(node, CORE + "minimum"),
            maximum=self._number(node, CORE + "maximum"),
            points=tuple(sorted((value, text) for value, text in points if value is not None)),
            properties=self._uris(node, CORE + "portProperty"),
            atom_type=str(self._one(node, _RDFS + "range") or ATOM + "Float"),
        )

    def _unit(self, node: Any) -> str:
        own = self._text(node, UNITS + "symbol")
        return own or _SYMBOLS.get(str(node).removeprefix(UNITS), "")

    def _state(self, node: Any) -> dict[str, tuple[str, Any]]:
        if node is None:
            return {}
        pairs = self._graph.predicate_objects(node)
        return {str(key): _atom_value(value, self._path(value)) for key, value in pairs}


def _atom_value(value: Any, path: Path | None) -> tuple[str, Any]:
    """Atom type and Python value of a node."""
    from rdflib import Literal

    if not isinstance(value, Literal):
        return (ATOM + "Path", str(path)) if path is not None else (ATOM + "URI", str(value))
    kind = _ATOM_OF_LITERAL.get(str(value.datatype).removeprefix(_XSD), "String")
    return ATOM + kind, str(value) if kind == "String" else value.toPython()
