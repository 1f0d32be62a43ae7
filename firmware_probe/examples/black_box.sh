#!/bin/sh
# For a firmware's own repository, on every commit: the pair's images measured from outside, with no hardware.
#
#   black_box.sh OUT HAND CRAFT                       do they work?
#   black_box.sh OUT HAND CRAFT OLD_HAND OLD_CRAFT    ... and did anything get worse than before?
#
# HAND and CRAFT are ELF or Intel HEX files. Into the folder OUT go the runs, black-box.xml for whatever reads JUnit (a
# case a stage, or a case a reading that was compared), and report.html. Ends with 0 when all is well, 1 when something
# failed or got worse, 2 when it could not be run, 3 when it could not be decided.
# Needs benchctl, and on Debian: libsimavr-dev libelf-dev gcc.
set -u
if [ $# -ne 3 ] && [ $# -ne 5 ]; then
  echo "usage: $0 OUT HAND CRAFT [OLD_HAND OLD_CRAFT]" >&2
  exit 2
fi
out=$1 hand=$2 craft=$3
benchctl=${BENCHCTL:-benchctl}

measure() { # HAND CRAFT FURTHER-OPTIONS...
  one=$1 two=$2
  shift 2
  $benchctl run black-box --bench black-box --image "hand=$one" --image "craft=$two" --out "$out/runs" "$@"
}

mkdir -p "$out" || exit 2
if [ $# -eq 5 ]; then
  measure "$4" "$5" --seed 1 --quiet
  [ $? -eq 2 ] && exit 2
  $benchctl reference set last --runs "$out/runs" --line before || exit 2
  measure "$hand" "$craft" --seed 2 --junit "$out/black-box.xml" --reference --line before
else
  measure "$hand" "$craft" --seed 2 --junit "$out/black-box.xml"
fi
code=$?
[ $code -eq 2 ] && exit 2
$benchctl report last --runs "$out/runs" --format html --out "$out/report.html" || exit 2
exit $code
