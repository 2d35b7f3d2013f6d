"""What reading one network description comes to."""

from dataclasses import dataclass

from donorfit.errors import Mistake
from donorfit.vehicle.network import Network

FORMATS = ("dbc", "kcd", "sym", "arxml", "ldf")


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkReading:
    """One network description as read.

    Attributes:
        file: name as the user gave it.
        format: ``dbc``, ``kcd``, ``sym``, ``arxml`` or ``ldf``.
        reader: library that read it.
        messages_in_text: messages counted in the text by a count of our own.
        networks: what was loaded, one a bus.
        repairs: places that had to be read otherwise than they are written.
        left_out: what the file holds and the networks do not.
    """

    file: str
    format: str
    reader: str
    messages_in_text: int
    networks: tuple[Network, ...]
    repairs: tuple[Mistake, ...] = ()
    left_out: tuple[Mistake, ...] = ()

    @property
    def messages_loaded(self) -> int:
        """Messages over all networks."""
        return sum(len(network.messages) for network in self.networks)

    @property
    def signals_loaded(self) -> int:
        """Signals over all messages."""
        return sum(len(m.signals) for network in self.networks for m in network.messages)
