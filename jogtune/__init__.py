"""jogtune: choose the settings of a hand control that moves a machine's axes.

A machine file in, a ladder of distances per click out, with reasons and cautions:

>>> from jogtune.design.search import suggest
>>> from jogtune.machine import read_machine
>>> answer = suggest(read_machine("datasets/machines/inlay_router.toml"), by="coverage")
>>> answer.ladder.say()
'0.02, 0.1, 0.5, 5 mm'
>>> print(answer.cautions[0])
jogtune calculates; it is no safety device.
Keep a hard-wired stop within reach of whoever turns the knob.

| to | begin with |
|---|---|
| read, check and change a machine file | `jogtune.machine` |
| count in exact steps, multipliers and series | `jogtune.ladder`, `jogtune.units` |
| derive a ladder, or have one suggested | `jogtune.design.derive`, `jogtune.design.search` |
| see what an axis, a link and a hand make of it | `jogtune.design.limits`, `jogtune.design.response`, `jogtune.design.hand` |
| read, record and measure a jog log | `jogtune.logs.read`, `jogtune.logs.record`, `jogtune.logs.measure` |
| hold ladders against each other, a class too | `jogtune.compare`, `jogtune.classroom` |
| draw, print, or try it on the screen | `jogtune.show.plots`, `jogtune.show.dial`, `jogtune.show.panels`, `jogtune.show.knob` |
| hand it over to a controller or a spreadsheet | `jogtune.export`, `jogtune.export_header`, `jogtune.export_tables` |

Names carry their unit: mm, s, mm/s, mm/s². A rotary axis carries degrees where a name says mm. A fault of an
input is a `jogtune.files.InputFault`, which names every fault at once with its cure. Nothing here moves a machine.
"""

__version__ = "0.1.0"
