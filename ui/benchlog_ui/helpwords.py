"""What each page is for and how it is worked, in two or three sentences: help for the page that is open."""

from benchlog_ui.stages import Stage

HELP: dict[str, str] = {
    Stage.INTAKE.value: (
        "Fill in what the rating plate says and what the customer said, in any order; each field is "
        "stored when it is left. Nothing has to be filled in before measuring. A bring-up needs the "
        "rated input of the plate."
    ),
    Stage.COLD.value: (
        "The unit is unplugged. Prove each reservoir discharged at its own terminals, with a meter that "
        "was shown to read a known source, before ohms, junctions or ESR. Readings are taken hands-free "
        "or typed."
    ),
    Stage.PARTS.value: (
        "The estimate, the customer's answer, and what was taken out and fitted. Measure new parts first."
    ),
    Stage.BRING_UP.value: (
        "Do what the large line says. Ctrl+B begins, F8 goes on, F9 ends in order, F12 cuts off at "
        "once. The ladder shows each step with its current between acceptance and stop limit; point at "
        "a step for where its limits come from."
    ),
    Stage.SOAK.value: (
        "Full voltage for a while after the last step: the limits go on watching. Ask for it before power."
    ),
    Stage.FINAL.value: (
        "Signal, hum, output DC and heat, warm, each channel: what was asked for and what was read."
    ),
    Stage.HAND_OVER.value: (
        "How the job ends, and its document with the data inside. Each ending gives a document."
    ),
    "before power": (
        "Which steps these meters can judge and what would help with the others; what has to be seen to "
        "first. Choose a limit to see its source; type a figure over it to change it, the reason is "
        "recorded. Ctrl+B begins."
    ),
    "history": (
        "Every reading, note, part and decision in the order in which it happened; nothing is ever "
        "changed in place. Type words to filter: a test point, an instrument, a kind of entry."
    ),
    "instruments": (
        "Which bench file is read, who answers, and how each instrument stands. Choose one and give it "
        "other parts; hold the leads of the probe together to zero them. A rehearsal gets a job of its "
        "own and is marked as simulated everywhere."
    ),
    "jobs": (
        "All jobs and what each waits for. Type words to search, Enter goes on with one. F11 comes back here."
    ),
    "keys": ("Every key, wherever the keyboard is. F1 on a page tells of that page first."),
}
