"""The people of a story: they act by MQTT and on the controller's socket, and remember what they were answered.

An action that nobody answers is asked again under the same id, as the command line does.
"""

import json
import math
import random
from collections.abc import Callable
from dataclasses import replace

from tests.simulation.board import Board
from tests.simulation.broker import Broker
from tests.simulation.network import Message
from tests.simulation.plant import Cellar
from tests.simulation.scene import Answered, Asked, Event, Gravity, Scene, Told
from tests.simulation.story import AS_IT_IS, Act
from tests.simulation.virtual import Calendar

AGAIN_AFTER_S = 60.0
MOST_TIMES = 30
FILLING_S = 900.0
READ_WITHIN = 0.001  # of a hydrometer; common practice, no source
WHO = "command line, brewer"


class Operators:
    """Carries out the acts of a story. `plant` is theirs to fill and to empty."""

    def __init__(
        self,
        scene: Scene,
        calendar: Calendar,
        broker: Broker,
        board: Board,
        plant: Cellar,
        tell: Callable[[Event], None],
    ) -> None:
        self._scene, self._calendar, self._broker, self._board = scene, calendar, broker, board
        self._plant, self._tell = plant, tell
        self._open: dict[str, Act] = {}  # asked and not yet answered, by id

    def act(self, act: Act) -> None:
        """Do what is to be done at the vessel, then ask for it; a vessel takes its time to be filled."""
        if act.brings is not None and self._scene.vessels[act.vessel].told is None:
            litres, wort_c, og, limit = act.brings
            self._plant.fill(act.vessel, og, limit, litres, wort_c)
            self._calendar.after(FILLING_S, self._say, act)
        else:
            self._say(act)

    def _say(self, act: Act) -> None:
        if act.empties:
            self._plant.drain(act.vessel)
        if act.moves_to and self._scene.vessels[act.moves_to].wort_l == 0.0:
            self._plant.move(act.vessel, act.moves_to)
        if act.arguments.get("gravity") == AS_IT_IS:
            error = READ_WITHIN * random.Random(f"{act.at_s}/{act.vessel}").uniform(-1.0, 1.0)
            entered = round(self._scene.vessels[act.vessel].gravity + error, 3)
            act = replace(act, arguments={**act.arguments, "gravity": entered})
        name = act.id or f"{act.vessel}-{act.verb}-{act.at_s:.3f}"
        self._open[name] = act
        self._ask(name, act, 1)

    def heard(self, message: Message) -> None:
        """A message at the broker that may be an answer."""
        if not message.topic.endswith("/reply"):
            return
        said = json.loads(message.payload)
        self._answered(said["id"], said["answer"], message.sender)

    def _ask(self, name: str, act: Act, times: int) -> None:
        if name not in self._open:
            return
        now_s = self._calendar.now_s
        if times == 1:
            daemon = "" if act.by.startswith("mqtt") else self._board.name
            self._tell(Asked(now_s, name, act.vessel, act.verb, act.arguments, act.expects, act.by, daemon))
        if act.by.startswith("mqtt"):
            payload = json.dumps({"id": name, "do": act.verb, "expects": act.expects, **act.arguments}).encode()
            topic = f"cellarhand/{self._scene.site}/{act.vessel}/set"
            retained = act.by == "mqtt retained"
            self._broker.inject(Message(topic, payload, 1, retained, correlation=b"c", sender="operator"))
        else:
            self._by_socket(name, act)
        if times < MOST_TIMES and act.by != "mqtt retained":
            self._calendar.after(AGAIN_AFTER_S, self._ask, name, act, times + 1)

    def _by_socket(self, name: str, act: Act) -> None:
        run = self._board.run
        if run is None or run.socket is None or not run.alive:
            return
        socket, board = run.socket, self._board
        request = {
            "id": name, "vessel": act.vessel, "do": act.verb, "expects": act.expects, "arguments": dict(act.arguments),
        }  # fmt: skip

        async def talk() -> None:
            reply = await socket.ask(request, WHO)
            if run.alive and "answer" in reply:
                self._answered(name, reply["answer"], board.name)

        run.loop.call_soon(lambda: run.keep(run.loop.create_task(talk())))

    def _answered(self, name: str, text: str, daemon: str) -> None:
        act = self._open.get(name)
        if act is None:
            return
        if act.by != "mqtt retained":
            del self._open[name]
        done = not text.startswith("refused")
        if done:
            self._remember(act)
        self._tell(Answered(self._calendar.now_s, name, act.vessel, act.verb, text, done, daemon))

    def _remember(self, act: Act) -> None:
        """Take in what the service has accepted."""
        now_s, given = self._calendar.now_s, act.arguments
        vessel = self._scene.vessels[act.vessel]
        told = vessel.told
        if act.verb == "start":
            told = vessel.told = Told(str(given["batch"]), now_s, given.get("volume_l"), given.get("og"))
            told.state = "running" if "profile" in given else "stopped"
            told.setpoint_c = given.get("setpoint_c")
            if "gravity" in given:
                told.gravities.append(Gravity(given["gravity"], now_s, vessel.gravity))
            return
        if told is None:
            return
        match act.verb:
            case "packaged":
                vessel.told = None
            case "move":
                vessel.told, self._scene.vessels[given["to"]].told = None, told
                told.mode, told.mode_since_s, told.manual_until_s = "auto", now_s, math.inf
            case "setpoint":
                told.setpoint_c = given["celsius"]
                told.state = "stopped" if told.state == "aborted" else told.state
            case "mode":
                told.mode, told.mode_since_s = given["mode"], now_s
                told.manual_until_s = now_s + given["for_s"] if told.mode == "manual" else math.inf
                told.manual_duty = given.get("duty", 0.0)
            case "gravity":
                told.gravities.append(Gravity(given["gravity"], now_s, vessel.gravity))
            case "og":
                told.og = given["gravity"]
            case "hold" | "resume" | "stop" | "abort" | "back":
                states = {"hold": "held", "resume": "running", "stop": "stopped", "abort": "aborted", "back": "running"}
                told.state = states[act.verb]
