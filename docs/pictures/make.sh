#!/usr/bin/env bash
# Makes every picture of the guide anew, from the sample study and from simulation:
#
#     docs/pictures/make.sh [PROGRAM]
#
# PROGRAM is a built tautpoint (target/release/tautpoint unless given). The pages among the pictures are photographed
# by chromium. Look at each picture before you commit it.
set -euo pipefail
here="$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)"
program="$(realpath "${1:-$here/../../target/release/tautpoint}")"
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT
cd "$work"

tautpoint() { "$program" --quiet "$@" >/dev/null; }

# photo NAME WIDTH HEIGHT ADDRESS [SECONDS [WORD]]: the top of a page, so long after it was opened, when it shows a word.
photo() {
  python3 "$here/photo.py" "$here/$1" "$2" "$3" "$4" "${@:5}"
}

# analyse.md: one scan and one test of the sample study.
tautpoint demo sample
cp sample/results/figures/scan-V-03-L-05-2026-10-14.svg "$here/scan.svg"
cp sample/results/figures/test-V-03_L-05_2026-10-14_L3_right_1-1-right.svg "$here/test.svg"

# mats.md: a press with both hands.
tautpoint simulate trace --out press.csv --mat --bilateral --two-displacements --left-share-percent 43 --level L3
tautpoint analyze press.csv --out press-results
cp press-results/figures/mat-press-1-maps.svg "$here/mat-maps.svg"
cp press-results/figures/mat-press-1-share.svg "$here/mat-share.svg"

# teach.md: a class of eight and their teacher over six weeks, and one scan for the assessment sheet.
tautpoint simulate study --out class --seed 4 --examiners 9 --trials 2 --sessions 6 --levels L5,L4,L3
sed -i 's/^L-09,examiner/L-09,teacher/' class/roster.csv
printf '\n[technique]\nexcursion_mm = [3.4, 4.4]\nhold_sd_percent = 1.0\n' >>class/study.toml
tautpoint debrief class --out class-debrief
photo class.png 1000 1000 "file://$work/class-debrief/class.html" 1
photo learner.png 1000 1000 "file://$work/class-debrief/learners/L-01.html" 1
tautpoint debrief sample --sheet --examiner L-05 --session 2026-10-14 --minutes 15 --out sheet
photo sheet.png 900 900 "file://$work/sheet/sheet.html" 1

# agree.md: two examiners who each test six people twice.
tautpoint simulate study --out pair --seed 4 --examiners 2 --subjects 6 --levels L5,L4,L3 --asymmetry L3=20
tautpoint agree pair --out agreement
cp agreement/figures/limits-end_feel_n_per_mm-between_examiners-1.svg "$here/limits.svg"
cp agreement/figures/just-detected-1.svg "$here/just-detected.svg"

# change.md: six people over four sessions.
tautpoint simulate study --out course --seed 4 --subjects 6 --sessions 4 --trials 2 --levels L4,L3
tautpoint change course --out changed
cp changed/figures/course-end_feel_n_per_mm-1.svg "$here/course.svg"

# calibrate.md: a load cell, and five mornings of checks of which the last is off.
tautpoint prepare lab
{
  echo mass_kg,indicated,run,direction
  printf '%s\n' 0,8123,1,up 5,94810,1,up 10,181522,1,up 20,354921,1,up 20,354927,1,down 10,181530,1,down \
    5,94826,1,down 0,8126,1,down 0,8120,2,up 5,94806,2,up 10,181517,2,up 20,354915,2,up
} >readings.csv
tautpoint calibrate readings.csv --out lab/calibrations/cell-4.toml --sensor cell-4 --gravity 9.81249 --made 2026-09-01
day=7
for indicated in 181522 181527 181519 181524 181583; do
  printf 'mass_kg,indicated\n10,%s\n' "$indicated" >check.csv
  tautpoint calibrate check.csv --verify --study lab --gravity 9.81249 --made "2026-09-$(printf %02d $day)"
  day=$((day + 1))
done
photo certificate.png 900 960 "file://$work/lab/calibrations/cell-4.html" 1
cp lab/calibrations/verify-cell-4.svg "$here/control-chart.svg"

# build-a-station.md: a station that is one load cell and nothing else.
tautpoint simulate trace --out cell.csv --force-only --level L3 --side left
tautpoint analyze cell.csv --out cell-results
cp cell-results/figures/test-cell-1-left.svg "$here/force-only.svg"

# large-studies.md: how the measures of a cohort are spread.
tautpoint simulate study --out cohort --seed 7 --subjects 12 --examiners 3 --trials 2 --levels L5,L4,L3,L2,L1
tautpoint analyze cohort --out cohort-results --cohort
photo cohort.png 1000 900 "file://$work/cohort-results/cohort.html" 1

# station-hardware.md: wiring-core.svg, wiring-bridge.svg, wiring-two-inputs.svg and mounting.svg.
python3 "$here/wiring.py"

# record.md: the card at the station, and the live page while a hand is on.
photo station-card.png 900 900 "file://$work/lab/station-card.html" 1
"$program" record lab --port sim --practice --page --session evening --level L3 --side left --seconds 60 </dev/null >record.log 2>&1 &
recorder=$!
sleep 1
photo live.png 1100 930 "$(sed -n 's/^page: //p' record.log)" 11 spring
kill "$recorder" 2>/dev/null || true

# desk.md: pages as the tests keep them, while virtual stations run.
mkdir kept
(cd "$here/../.." && TAUTPOINT_KEEP_FIGURES="$work/kept" cargo test --test all desk::looks)
cp kept/desk-table-in-wide.png "$here/desk-table.png"
cp kept/desk-room-wide.png "$here/desk-room.png"
