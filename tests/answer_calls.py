"""The calls whose answers, screens and messages are recorded; `tests/answers.py` runs them."""

# Calls that print JSON, in this order; `<` stands before what is typed, `>` before a file written.
ANSWERS = """
gauge convert 5 lbf N
gauge convert 1.25 kgf mN
gauge convert 100 gf ozf
gauge convert 21.75 N lb
gauge replay runs/faults/cut-mid-press.txt --format runs/gauge.toml
gauge replay runs/faults/line-noise.txt --format runs/gauge.toml
gauge replay runs/faults/overload.txt --format runs/gauge.toml
gauge replay runs/faults/unit-switched.txt --format runs/gauge.toml
gauge replay b1.txt --format number-unit --loading-rate 0.5-2
gauge plan drawn.season --import runs/2026-blackberry/plan.csv --seed 7
gauge plan drawn.season
gauge plan b26.season
gauge plan p26.season
gauge scores extra.season runs/2026-raspberry/scores.csv
gauge scores extra.season again.csv --rater tove --new-rater tove
gauge readings p26.season
gauge readings b26.season
gauge readings b26.season --sample B26-02
gauge readings b26.season --csv berries.csv > berries.csv
gauge readings b26.season --csv pairs26.csv --long > pairs26.csv
gauge readings p26.season --csv comma.csv --decimal comma --bom > comma.csv
gauge readings p26.season --csv tab.csv --delimiter tab --sample P26-02 > tab.csv
gauge void extra.season 3 --why "slipped off the stand"
gauge readings extra.season --sample P26-01
gauge capture b26.season
gauge capture extra.season 1 --out session.txt
gauge replay session.txt --format runs/gauge.toml
calibrate fit b26.season
calibrate fit b25.season
calibrate fit p26.season
calibrate fit extra.season
calibrate fit b26.season --each-rater
calibrate fit p26.season --each-rater
calibrate fit b26.season --force-scale log
calibrate fit b26.season --force-scale auto
calibrate fit b26.season --rater ines
calibrate fit b26.season --rater ines --rater odile --level 0.9
calibrate fit b26.season --rater odile --penalised
calibrate fit pairs26.csv
calibrate fit pairs.csv
calibrate fit pairs.csv --each-rater --force-scale log
calibrate fit words.csv
calibrate fit words.csv --scores firm,soft --force-scale log
calibrate fit counts.csv
calibrate fit last.csv --firmest last
calibrate fit unused.csv
calibrate fit apart.csv --penalised
calibrate adopt b26.season logs --force-scale log --level 0.9 --yes
calibrate adopt b26.season july --yes
calibrate adopt p26.season july --yes
calibrate adopt b25.season last --yes
calibrate adopt b26.season
calibrate adopt b26.season --show july
calibrate store b26.season
calibrate diagnose b26.season
calibrate diagnose b26.season --force-scale log --alpha 0.01
calibrate diagnose pairs.csv
calibrate limit b26.season --force-scale linear
calibrate limit b26.season
calibrate limit b26.season --calibration july --share 0.9 --ship-cost 5 --threshold 2.5
calibrate limit p26.season --calibration july
calibrate limit pairs.csv --sale-limit 2
calibrate lot b26.season --lot R-207/4 --at-most 0.3 --days 2 --calibration july
calibrate lot --at-most 0.1 --good 0.02 --lot-size 400
calibrate samplesize b26.season --half-width 0.8 --raters 6 --fits 20
calibrate samplesize --cuts 4.5,3.2,2.1,1.2 --spread 0.3 --forces 0.5,5.5 --half-width 0.5 --fits 20
calibrate anchors b26.season --force-scale linear --as-of 2026-06-16 --valid-days 9
calibrate anchors b26.season --per-score 3 --no-pairs --force-scale log --as-of 2026-06-09 --fresh
calibrate anchors p26.season --calibration july --per-score 4 --as-of 2026-07-02
calibrate anchors pairs.csv --as-of 2026-06-11
calibrate anchors b26.season --as-of 2026-06-11 --candidates candidates.csv
calibrate anchors b26.season --keep --as-of 2026-06-11 --calibration july --press-limit 2
calibrate squeeze b26.season B26-03-3 --force 4.79 --by ines --as-of 2026-06-11
calibrate squeeze b26.season B26-03-3 --force 1.08 --unit lbf --by marek --as-of 2026-06-11
calibrate squeeze b26.season B26-16-2 --force 3.6 --as-of 2026-06-11
calibrate pads b26.season PAD-Z --force 3.02 --force 3.06 --batch 7 --as-of 2026-06-11
calibrate pads b26.season
calibrate squeeze b26.season --as-of 2026-06-11
calibrate squeeze b26.season --calibration july --as-of 2026-06-12
calibrate tray b26.season --lots lots.csv --want 2 --calibration july
calibrate tray pairs.csv --lots lots.csv --probability 0.8
calibrate practice b26.season --rater ines --as-of 2026-06-11 --seed 1 < 3 2 4 q
calibrate practice b26.season --rater marek --as-of 2026-06-11 --seed 2 --most 2 < 1 9 2 3
calibrate check b26.season --rater ines
calibrate check b26.season --rater ines --rater odile --limit 0.5
calibrate check b26.season --all
calibrate check b26.season --all --force-scale log
calibrate check p26.season --all
calibrate check b26.season --rater marek --against b25.season
calibrate check pairs.csv --rater ines --against pairs26.csv --level 0.9
calibrate check words.csv --all
calibrate agree b26.season
calibrate agree p26.season
calibrate agree pairs.csv --weights linear
calibrate agree pairs.csv --scores 1-5 --weights ordinal --level 0.9
calibrate compare b25.season b26.season
calibrate compare b25.season b26.season --margin 0.3 --force-scale log
calibrate compare b25.season b26.season --stored1 last --stored2 july
calibrate compare b25.season b26.season b25.season
calibrate compare pairs.csv pairs26.csv
calibrate prior b25.season
calibrate prior b25.season b26.season
calibrate prior b25.season b26.season --force-scale linear
calibrate prior b25.season b26.season --stored last --season-sd 0.05
calibrate tally runs/2026-blackberry/clamshells.csv
calibrate tally runs/2026-raspberry/clamshells.csv
calibrate tally runs/2026-blackberry/clamshells.csv --sale-limit 2 --level 0.9
calibrate tally kept.csv --season extra.season --rater tove
calibrate table extra.season --by selection
calibrate table b26.season
calibrate table b26.season --by selection --by storage_day
calibrate table b26.season --calibration july
calibrate table b26.season --by selection --rater ines --unit berry --csv table.csv > table.csv
calibrate table b25.season b26.season --by season --keep-top 0.4
calibrate table runs/2026-blackberry/clamshells.csv --endpoint leaky --at 20
calibrate table pairs.csv --by selection --keep-above 2 --cuts cuts.json
calibrate table pairs.csv --by storage_day --compare storage_day --cue rain
calibrate table runs/2026-raspberry/clamshells.csv sheets.csv --by selection
calibrate meanforce runs/2026-blackberry/clamshells.csv --season b26.season --calibration july
calibrate meanforce sheets.csv --season p26.season --calibration july --by selection
calibrate meanforce runs/2026-blackberry/clamshells.csv --cuts cuts.json --cv 0.25 --hand-sd 0.1
calibrate gauges two.csv
calibrate gauges labs.csv --level 0.9
"""

# Calls of a person at a terminal: the text that they print, in 80 columns.
SCREENS = """
gauge convert 5 lbf N
gauge plan b26.season
gauge plan drawn.season --blind
gauge readings b26.season --sample B26-01
gauge readings extra.season --sample P26-01
gauge replay runs/faults/overload.txt --format runs/gauge.toml
gauge void extra.season 5 --why "leaky"
gauge simulate --capture simulated.txt --berries 3 --seed 5
gauge replay simulated.txt --format number-unit
calibrate fit b26.season
calibrate fit b26.season --each-rater
calibrate fit p26.season
calibrate fit words.csv
calibrate fit unused.csv
calibrate adopt b26.season --show july
calibrate diagnose b26.season
calibrate limit b26.season --calibration july
calibrate lot b26.season --lot B26-07 --at-most 0.3 --fingers
calibrate plan b26.season --half-width 0.8 --raters 6 --fits 20
calibrate anchors b26.season --calibration july --as-of 2026-06-16
calibrate anchors p26.season --per-score 3 --force-scale linear --as-of 2026-07-02
calibrate squeeze b26.season B26-05-3 --by odile --as-of 2026-06-11
calibrate pads b26.season --as-of 2026-06-11
calibrate tray b26.season --lots lots.csv --want 2 --calibration july
calibrate practice b26.season --rater odile --as-of 2026-06-11 --seed 4 < 3 2 q
calibrate check b26.season --rater ines
calibrate check b26.season --all
calibrate check p26.season --rater marek
calibrate agree b26.season
calibrate compare b25.season b26.season --margin 0.3
calibrate prior b25.season b26.season
calibrate tally runs/2026-raspberry/clamshells.csv
calibrate table b26.season
calibrate table b26.season --calibration july
calibrate table runs/2026-blackberry/clamshells.csv --endpoint leaky --at 20
calibrate meanforce sheets.csv --season p26.season --calibration july --by selection
calibrate gauges two.csv
calibrate gauges labs.csv
"""

# Mistakes: the exit status is an answer that programs rely on, the message is a screen.
MISTAKES = """
gauge convert five lbf N
gauge convert 5 lbf furlong
gauge convert 5
gauge nonsense
gauge learn --port ./nowhere --out new.toml --yes
gauge log --port ./nowhere --format runs/gauge.toml --season new.season --sample C-07 --plain
gauge replay missing.txt --format runs/gauge.toml
gauge replay pairs.csv --format runs/gauge.toml
gauge replay runs/faults/overload.txt --format pairs.csv
gauge replay runs/faults/overload.txt --format runs/gauge.toml --season b26.season
gauge replay b1.txt --format runs/gauge.toml --season b26.season --sample B26-01
gauge plan new.season --import runs/2026-blackberry/scores.csv
gauge readings missing.season
gauge readings pairs.csv
gauge readings b26.season --sample B26-99
gauge readings b26.season --csv nowhere/berries.csv
gauge scores b26.season again.csv
gauge scores b26.season stray.csv
gauge void b26.season 4711 --why "leaky"
gauge void b26.season 1 --why ""
gauge capture b26.season 99 --out session.txt
gauge capture b26.season 1 --out pairs.csv
gauge verify --season b26.season
gauge verify --season b26.season --capture b1.txt --format runs/gauge.toml
calibrate fit missing.csv
calibrate fit empty.csv
calibrate fit header.csv
calibrate fit noforce.csv
calibrate fit badforce.csv
calibrate fit badscore.csv --scores 1-5
calibrate fit onescore.csv
calibrate fit apart.csv
calibrate fit last.csv
calibrate fit bare.season
calibrate fit b26.season --rater nobody
calibrate fit pairs.csv --scores 1-2
calibrate fit pairs.csv --level 2
calibrate check b26.season
calibrate check b26.season --rater nobody
calibrate check lone.csv --rater ines
calibrate compare b26.season p26.season
calibrate prior b26.season p26.season
calibrate adopt b26.season july --level 0.9
calibrate adopt b26.season --show august
calibrate limit b26.season --calibration august
calibrate samplesize
calibrate samplesize b26.season --half-width 0.05 --fits 20
calibrate anchors b26.season --keep --as-of 2026-06-30
calibrate anchors b26.season --card card.gif
calibrate squeeze b26.season B26-99-1
calibrate squeeze b26.season B26-03-3 --as-of 2026-06-11
calibrate pads b26.season PAD-Z
calibrate tray b26.season --lots badlots.csv --force-scale linear
calibrate practice b25.season --rater ines --calibration last
calibrate agree lone.csv
calibrate agree twice.csv
calibrate tally pairs.csv
calibrate tally badsheet.csv
calibrate table b26.season --by colour
calibrate table b26.season --block storage_day
calibrate table b26.season --endpoint leaky --at 100
calibrate table told.csv contrary.csv
calibrate table b26.season --keep-top 2
calibrate meanforce sheets.csv --season b26.season --calibration july
calibrate meanforce sheets.csv
calibrate gauges pairs.csv
calibrate demo runs
"""
