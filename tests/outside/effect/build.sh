#!/bin/sh
# Builds two small VST3 effects without a window into a folder: late_gain.vst3, and hanging.vst3, which never loads.
# The framework is Debian's package dpf-source (ISC): the one that is installed, or one unpacked beside the effects.
# Usage: build.sh FOLDER
set -eu
here=$(cd "$(dirname "$0")" && pwd)
out=$1
mkdir -p "$out"
cd "$out"
dpf=/usr/share/dpf
if [ ! -d "$dpf/distrho" ]; then
    apt-get download dpf-source
    dpkg -x dpf-source_*.deb unpacked
    dpf=$out/unpacked/usr/share/dpf
fi
effect() {  # NAME DEFINES...
    name=$1
    shift
    inside=$name.vst3/Contents/$(uname -m)-linux
    mkdir -p "$inside"
    "${CXX:-c++}" -std=gnu++14 -O2 -fPIC -shared -fvisibility=hidden -w "$@" "-DEFFECT_NAME=\"$name\"" \
        -DDISTRHO_PLUGIN_TARGET_VST3 -I "$here" -I "$dpf/distrho" \
        "$here/LateGain.cpp" "$dpf/distrho/DistrhoPluginMain.cpp" -o "$inside/$name.so"
}
effect late_gain
effect hanging -DHANG_WHEN_MADE
