"""The commands, one module a subject; here is the text of `colourmatch --help`, which must need nothing but itself."""

DEBUG = "COLOURMATCH_DEBUG"
HELP = f"""\
Usage: colourmatch [OPTIONS] COMMAND ...

  Tint a small batch until it looks like its reference: photograph, compare,
  dose in steps, stop, write it down.

Commands, in the order of the work (each has --help with an example):
  card       Write the card to print.
  measure    Measure photos: how far apart, which way, how sure.
  card-profile
             What a printed card's greys reflect: add, list, show, default,
             forget.
  phone      A phone's own correction by known liquids: add, fit, show, list,
             forget.
  stock      Stocks: make, add, list, weigh drops, dilute, correct, reset, put
             away, refill, trace a supplier's batch.
  lot        Lots: begin, photograph, add, answer, sample, trial, look, use, list,
             show, log, correct, set aside, close, reopen; sheet, label, trend,
             recheck, export, import.
  reference  What lots are tinted to: add, list, show, choose.
  book       The lot book: check, back up, restore.
  guide      Read how it works, what goes wrong, care and law, the reference.
  demo       Play one invented lot from the first photo to the stop.
  app        Open the app in the browser.
  completion Complete commands with the Tab key: how to switch it on in a shell.

Options:
  --book PLACE  The lot book: a path or a database URL. Otherwise
                COLOURMATCH_BOOK, else a per-user folder.
  --json        One JSON object on stdout and everything else on stderr.
  --version     Show the version.
  -h, --help    Show this text.

Exit codes: 0 done, 2 something you can mend, 1 a fault of the program
({DEBUG}=1 shows the trace).
"""
