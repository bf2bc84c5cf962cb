"""What help and shell show of each command.

Written by `python -m breathmap.tools.make.commands`. A command's name: the number of its module in
`commands.ADDERS`, the first paragraph of its help, its panel.
"""

LISTED: dict[str, tuple[int, str, str | None]] = {
    "demo": (
        0,
        "Run the main job on a simulated engine, live over a port, and compare with the truth.",
        None,
    ),
    "learn": (
        1,
        "Learn live from a port until Ctrl-C, unplugged and back or not; then write the results.",
        None,
    ),
    "replay": (
        2,
        "Learn from recordings or CSV logs, and write the same results as `learn`.",
        None,
    ),
    "check": (
        3,
        "Read an engine description and its tables, or a log by it, and print what was understood.",
        None,
    ),
    "simulate": (
        4,
        "Play the college's simulated engine: over a port, or into a recording file.",
        None,
    ),
    "export": (
        5,
        "Write a recording as a table for other programs.",
        None,
    ),
    "report": (
        6,
        "Write one HTML file with everything about a run or a job: maps, errors, decisions.",
        None,
    ),
    "plot": (
        7,
        "Draw drives over time: speed, load, lambda measured and predicted, and what was not "
        "learned.",
        None,
    ),
    "diagnose": (
        8,
        "Say what beside VE could explain what was seen, how sure that is, and what to check.",
        None,
    ),
    "axes": (
        9,
        "Say what a table's axes cost, which would be better, and how many are worth it.",
        None,
    ),
    "gather": (
        10,
        "Learn many recordings side by side, add them exactly, and find the one that does not "
        "agree.",
        None,
    ),
    "new": (
        11,
        "Make a job: engine description, starting tables, a place for passes.",
        "The calibration job",
    ),
    "prepare": (
        11,
        "Write the set-up sheet; with --port apply it to the controller and read it back.",
        "The calibration job",
    ),
    "read": (
        11,
        "Read the controller: which table and which set-up it holds. Writes nothing to it.",
        "The calibration job",
    ),
    "propose": (
        11,
        "Solve the open pass: a new table with a decision for every cell.",
        "The calibration job",
    ),
    "accept": (
        11,
        "Make the latest proposal the table of the next pass; with --port store it, too.",
        "The calibration job",
    ),
    "store": (
        11,
        "Write the job's present table to the controller, and read it back.",
        "The calibration job",
    ),
    "undo": (
        11,
        "Go back to any earlier table; with --port store it, too, and the axes that it is on.",
        "The calibration job",
    ),
    "drop": (
        11,
        "Set a recording, or a span of it, aside: on record, and it can be taken back.",
        "The calibration job",
    ),
    "finish": (
        11,
        "Write the final calibration with the set-up put back, and the proof of it.",
        "The calibration job",
    ),
    "history": (
        11,
        "Show what happened in a job, and from what.",
        "The calibration job",
    ),
    "compare": (
        11,
        "Show two tables' difference; of a job and exported files, whether the controller holds "
        "it.",
        "The calibration job",
    ),
    "enter": (
        12,
        "Show tables for a controller without our protocol: to paste, or to type in.",
        "The calibration job",
    ),
    "edit": (
        12,
        "Change cells of the job's present table by hand, on record; `undo` goes back.",
        "The calibration job",
    ),
    "board": (
        13,
        "Put the learner on a MicroPython board, see how it does, fetch what it has learned.",
        None,
    ),
    "exercise": (
        14,
        "For a class: exercises on the simulated bench, with a hidden truth and with faults, work "
        "sheets, and marks.",
        None,
    ),
}
