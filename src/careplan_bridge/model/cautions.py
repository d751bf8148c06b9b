"""The sentences that every page and document carries."""

CAUTIONS = (
    "Decision support for licensed clinicians; not a medical device and not a substitute for the surgeon's orders.",
    "Local rules and professional judgement prevail.",
    "Not an alarm system: nobody is notified by this page or document.",
)
