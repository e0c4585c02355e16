#!/bin/sh
# Makes the fixtures of this folder anew; see README.md. Needs xz, gzip, zstd, bzip2 and zip.
set -eu
export TZ=UTC LC_ALL=C
seq 1 400 > numbers.img
seq 401 500 > more.img
touch -d '2026-01-02 03:04:06' numbers.img more.img
small=--lzma2=preset=6,dict=4KiB
for check in none crc32 crc64 sha256; do
	xz -T1 -c --check=$check $small numbers.img > check-$check.xz
done
xz -T1 -c --block-size=300 $small numbers.img > blocks.xz
xz -T2 -c --block-size=300 $small numbers.img > blocks-sized.xz
xz -T1 -c $small more.img > more.xz
{ cat check-crc32.xz; head -c 8 /dev/zero; cat more.xz; head -c 4 /dev/zero; } > streams.xz
xz -T1 -c --x86 --lzma2=dict=4KiB numbers.img > filter.xz
rm more.xz
gzip -9 -c numbers.img > named.gz
{ gzip -n -c numbers.img; gzip -n -c more.img; } > members.gz
zstd -q -19 --check -c numbers.img > sized.zst
zstd -q -3 --check -c < numbers.img > piped.zst
{ printf '\120\052\115\030\003\000\000\000abc'; zstd -q --check -c numbers.img; printf '\137\052\115\030\000\000\000\000'
  zstd -q --check -c more.img; printf '\121\052\115\030\001\000\000\000z'; } > frames.zst
bzip2 -1 -c numbers.img > one.bz2
{ bzip2 -1 -c numbers.img; bzip2 -2 -c more.img; } > streams.bz2
rm -f ./*.zip
zip -q -X deflated.zip numbers.img
zip -q -X -0 stored.zip numbers.img
zip -q -X -fz wide.zip numbers.img
zip -q -X - - < numbers.img > piped.zip
mkdir folder
cp -p numbers.img more.img folder
touch -d '2026-01-02 03:04:06' folder
zip -q -X -r several.zip folder
rm folder/more.img
touch -d '2026-01-02 03:04:06' folder
zip -q -X -r folder.zip folder
rm -r folder
zip -q -X -P secret encrypted.zip numbers.img
zip -q -X -Z bzip2 method.zip numbers.img
