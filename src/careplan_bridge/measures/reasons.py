"""Why an entry cannot be read: the one list of reason codes, each with its sentence and with what would settle it.

`docs/reading.md` shows this list; a test keeps the two in step. Braces are filled with the facts of the entry, never with a
person's name.
"""

from typing import NamedTuple


class Reason(NamedTuple):
    """`void` entries count as never made: they are named as ignored, and settle nothing."""

    code: str
    says: str
    settle: str
    void: bool = False


_ALL = (
    # the entry as a whole
    Reason("not-an-observation", "this is no FHIR R4 Observation", "give Observations, one JSON object each"),
    Reason("entered-in-error", "the entry was withdrawn as entered in error", "nothing; it counts as never made", void=True),
    Reason("cancelled", "the measurement was cancelled", "nothing; it counts as never made", void=True),
    Reason("status-missing", "the entry has no status", "a status: final, amended, corrected or preliminary"),
    Reason("status-not-final", "the entry's status is {status}", "a final, amended, corrected or preliminary entry"),
    Reason("unknown-modifier", "an extension that changes the meaning is not known: {url}", "an entry without it"),
    Reason("patient-missing", "the entry names no patient", "a subject"),
    Reason("other-patient", "the entry is about another patient", "the right patient's Observations"),
    # what was measured
    Reason("code-missing", "the entry has no code", "a code that the catalogue or the conventions know"),
    Reason("code-unknown", "no measure is known for {code}", "the site's [codes], if this is a measure of the catalogue"),
    Reason("code-refused", "{code} is not read: {why}", "a code that means the measure"),
    Reason("code-is-answer", "{code} is an answer code, not the code of an observation", "the code of the question"),
    Reason("codes-disagree", "the entry's codes mean different things: {meanings}", "one code, or codes that agree"),
    Reason("code-not-valid-here", "{code} is declared for other days, performers or instruments", "the site's [codes] for this one"),
    Reason("panel-unknown", "{code} is no panel that is known, so its parts cannot be placed", "Observations of their own for the parts"),
    Reason("members-only", "the entry has no value of its own; its members are read one by one", "nothing, if the members are there"),
    Reason("member-inside", "a member is contained in the entry", "Observations of their own for the members"),
    Reason("parts-disagree", "two parts say the same measure with different values", "the part that is right"),
    Reason("test-unknown", "the panel's test is not known: {name}", "the test's name as the catalogue has it"),
    # which side, which way
    Reason("side-missing", "the side is not known", "left or right: in the code, in bodySite or in the conventions"),
    Reason("side-clash", "the side is said differently in two places", "the side that is right"),
    Reason("both-sides", "the entry is about both sides at once", "one entry for each side"),
    Reason("joint-clash", "the body site is the {site}, the measure is about the {joint}", "the body site or the code that is right"),
    Reason("qualifier-missing", "{names} not known", "{names}: in the code, method, an extension or the conventions"),
    Reason("qualifier-clash", "{names} said differently in two places", "the one that is right"),
    Reason("qualifier-unknown", "{name} cannot be {value} for {measure}", "one of the catalogue's words for it"),
    # the value
    Reason("value-missing", "the entry has no value", "the value"),
    Reason("value-absent", "the value was not given: {why}", "the value, once it is measured"),
    Reason("values-several", "the entry has more than one value", "the value that is right"),
    Reason("value-kind", "{kind} cannot be read for {measure}", "a number with its unit, or a level of the scale"),
    Reason("number-unreadable", "the value is not a number of usable size", "the number"),
    Reason("comparator-unknown", "the comparator {comparator} is not known", "one of < <= >= >"),
    Reason("range-unreadable", "the range has no end that can be read, or its ends are exchanged", "the lower and the higher number"),
    Reason("unit-missing", "{measure} is not read from a number without a unit", "the unit"),
    Reason("unit-unknown", "{unit} is no unit that is known", "a UCUM unit, or the site's unit_aliases"),
    Reason("unit-radians", "{unit} is radians, and no finite number of degrees is one; {measure} is in degrees", "the value in degrees"),
    Reason("unit-clash", "the unit's code says {code}, its text {text}", "the unit that is right"),
    Reason("unit-unfit", "{unit} does not measure what {measure} is in ({wanted})", "a value in {wanted}"),
    Reason("unit-not-exact", "{unit} cannot be turned into {wanted} exactly", "a value in {wanted}"),
    Reason("mass-for-force", "{unit} is a mass, {measure} is a force", "a force, or kilogram_means_force in the conventions"),
    Reason("implausible", "the value lies outside {low} to {high} {unit}, the plausible range", "another value, or the site's [plausible]"),
    Reason("level-unknown", "{value} is no level of {measure}", "one of: {levels}"),
    Reason("levels-unordered", "{low} to {high}: which levels of {measure} lie between them is not established", "one level"),
    Reason("words-unknown", "the words are not understood from character {at} on", "a number with its unit, or a level of the scale"),
    Reason("words-clash", "the words at character {at} name another measure than the code", "the measure that is right"),
    Reason("words-disagree", "the words at character {at} contradict others beside them", "one of the two, or an entry for each value"),
    Reason("words-unplaced", "it is not certain which value the words at character {at} belong to", "an entry for each value"),
    Reason("words-letter", "the letter {letter} at character {at} can mean more than one thing", "the word, such as active or passive"),
    Reason("side-unfit", "a side is named, and {measure} has none", "an entry without a side, or the right measure"),
    Reason("decimal-undeclared", "a {mark} may part decimals or two numbers", "decimal in the conventions"),
    Reason("extension-sign", "a bare extension: a deficit or a hyperextension", "extension_sign in the conventions"),
    Reason("extension-across-neutral", "the values lie on both sides of neutral", "one value"),
    Reason("arc-one-number", "{arc} was expected, one number was given", "both numbers of the arc, or the code of the one measure"),
    Reason("arc-undeclared", "the numbers of an arc can be read in more than one way", "arc and triple_order in the conventions"),
    Reason("arc-not-covered", "the arc has an end for which the catalogue has no measure", "the measure on its own"),
    Reason("finding-unreadable", "a finding is present, absent or not-asked; this says none of them", "present, absent or not-asked"),
    # when
    Reason("moment-missing", "it is not known when this was measured", "an effective date or time"),
    Reason("moment-unreadable", "the date or time of the measurement cannot be read", "a date or time as FHIR writes it"),
    Reason("moment-open", "the time of the measurement has no end", "both ends of the time"),
    Reason("later-than-issue", "the measurement is later than its own release", "the time that is right"),
    # among other entries
    Reason("versions-undecided", "two states of one entry; nothing tells which is newer", "the server's version, or the newer one alone"),
    Reason("copies-disagree", "two feeds carry this entry with different contents", "the entry that is right"),
)  # fmt: skip

REASONS = {reason.code: reason for reason in _ALL}
