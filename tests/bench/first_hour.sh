#!/usr/bin/env bash
# How long a new user waits, with nothing but the README: from an empty folder to the first picture, to a tone curve of
# their own, to a sweep of their own, to JupyterLab and each lesson executed. Usage: first_hour.sh REPOSITORY
set -euo pipefail
repository=$(readlink -f "${1:-.}")
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
cd "$folder"
start=$SECONDS
told() { echo "$((SECONDS - start)) s: $1"; }

git clone --quiet "$repository" simwrap
cd simwrap
make demo > demo.txt
ls out/*.png > /dev/null
told "make demo has installed everything and written $(ls out/*.png | wc -l) pictures"

.venv/bin/simwrap measure tone_passive --set bass=0.8 --set treble=0.6 --plot tone.png > /dev/null 2>&1
test -s tone.png
told "a tone curve of one's own at the shell: tone.png"

cat > own.py <<'PY'
import simwrap

stage = simwrap.stage("triode_gain", valve="6SL7GT", supply="250 V", anode_resistor="100k")
swept = simwrap.sweep(stage, {"cathode_resistor": ["820", "1k", "1k5", "2k2", "3k3"]}, ["bias", "response"])
simwrap.plot(swept, "response").savefig("sweep.png")
print(swept["response.gain"].values.round(1))
PY
.venv/bin/python own.py
test -s sweep.png
told "a sweep of one's own in Python: sweep.png"

.venv/bin/pip --disable-pip-version-check -qq install '.[notebooks]'
told "JupyterLab is installed"
for lesson in notebooks/*.ipynb; do
  .venv/bin/jupyter execute --timeout=600 "$lesson" > lesson.txt 2>&1 || { cat lesson.txt; exit 1; }
  told "$lesson executed"
done
