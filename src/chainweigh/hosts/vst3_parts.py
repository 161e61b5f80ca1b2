"""The halves of a VST 3 plug-in, component and controller, in one object or two."""

import ctypes
from collections.abc import Callable

from chainweigh.errors import PluginError
from chainweigh.hosts import vst3_abi as abi
from chainweigh.hosts.vst3_com import PluginObject
from chainweigh.hosts.vst3_host import Application, Handler, Stream
from chainweigh.hosts.vst3_module import Module


class Parts:
    """A new plug-in, its halves initialised, connected and agreeing on the state.

    `controller` is None where the plug-in has no parameters at all.

    Raises
    ------
    PluginError
        It refuses to be created or has no audio.
    """

    def __init__(self, module: Module, class_id: str, application: Application) -> None:
        self._name = class_id
        self.handler = Handler()
        self._connected: list[tuple[PluginObject, PluginObject]] = []
        self.component = module.create(bytes.fromhex(class_id), abi.Component)
        self._initialise(self.component, application)
        processor = self.component.query(abi.AudioProcessor)
        if processor is None:
            self.component.terminate()
            raise PluginError(f"{class_id}: processes no audio")
        self.processor = processor
        self.controller = self.component.query(abi.EditController)
        self._is_split = self.controller is None
        if self._is_split:
            self.controller = self._separate_controller(module, application)
        if self.controller:
            self.controller.set_component_handler(self.handler.address)
            self._connect(self.component, self.controller)
            self.tell_controller()

    def _initialise(self, part: PluginObject, application: Application) -> None:
        if part.initialize(application.address) != abi.OK:
            part.release()
            raise PluginError(f"{self._name}: refused to start")

    def _separate_controller(self, module: Module, application: Application) -> PluginObject | None:
        class_id = abi.ClassId()
        status = self.component.get_controller_class(ctypes.byref(class_id))
        if status != abi.OK or not any(class_id):
            return None
        controller = module.create(bytes(class_id), abi.EditController)
        self._initialise(controller, application)
        return controller

    def _connect(self, component: PluginObject, controller: PluginObject) -> None:
        one, other = (part.query(abi.ConnectionPoint) for part in (component, controller))
        if self._is_split and one and other:
            one.connect(other.address)
            other.connect(one.address)
            self._connected = [(one, other), (other, one)]

    def tell_controller(self) -> None:
        """Hand the component's state to the controller, which shows those values from then on."""
        state = self.component_state()
        if self.controller and state is not None:
            _from_bytes(self.controller.set_component_state, state)

    def component_state(self) -> bytes | None:
        """State of the half that processes; None where it keeps none."""
        return _to_bytes(self.component.get_state)

    def controller_state(self) -> bytes | None:
        """What the other half keeps for itself; None where that is nothing."""
        return _to_bytes(self.controller.get_state) if self.controller else None

    def restore(self, component_state: bytes, controller_state: bytes | None, name: str) -> None:
        """Load states of both halves.

        Raises
        ------
        PluginError
            The plug-in refuses what `name` names.
        """
        if _from_bytes(self.component.set_state, component_state) != abi.OK:
            raise PluginError(f"{self._name}: refuses {name}")
        if self.controller:
            _from_bytes(self.controller.set_component_state, component_state)
            if controller_state:
                _from_bytes(self.controller.set_state, controller_state)

    def destroy(self) -> None:
        """Disconnect, terminate and release what was made.

        The handler stays: a careless plug-in may still call it.
        """
        for one, other in self._connected:
            one.disconnect(other.address)
        for one, _ in self._connected:
            one.release()
        if self.controller:
            self.controller.set_component_handler(None)
            if self._is_split:
                self.controller.terminate()
            self.controller.release()
        self.processor.release()
        self.component.terminate()
        self.component.release()


def _to_bytes(get_state: Callable[[int], int]) -> bytes | None:
    stream = Stream()
    status = get_state(stream.address)
    stream.release()
    return stream.content if status == abi.OK else None


def _from_bytes(set_state: Callable[[int], int], content: bytes) -> int:
    stream = Stream(content)
    status = set_state(stream.address)
    stream.release()
    return status
