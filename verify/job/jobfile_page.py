"""The page that goes with every job file: how to check it with nothing but public tools.

Words only. A test takes the commands out of this page and runs them.
"""

from __future__ import annotations


def how_to_check() -> str:
    return _HOW_TO


_HOW_TO = """\
HOW TO CHECK THIS FILE BY HAND

This is the record of one car's close-out: every entry that was written while the work went on, the
evidence it rests on, and signatures. You need not trust the program that wrote it, nor have it. All
that follows uses unzip, sha256sum, sed, cut, basenc and openssl (3.0 or newer) in a shell. FILE is
the job file as you got it. The program itself does all of this, and computes every verdict anew,
with:  keysback audit FILE

1. The seal: is every byte as it was when the file was made?

    unzip -z FILE

shows a number N, a SHA-256 and a signature (or "by nobody"). The first N bytes must have that hash:

    head -c N FILE | sha256sum

2. The members: is each one what the manifest says?

    unzip FILE -d checked && cd checked
    sha256sum -c SHA256SUMS
    grep -c "$(sha256sum SHA256SUMS | cut -c1-64)" manifest.json

The last line must print 1: the manifest names SHA256SUMS too, and it is the manifest that is
signed. A file in evidence/ bears its own hash as its name.

3. The maker's signature (if there is a manifest.jws). It holds the whole manifest:

    part() {
      s=$(cut -d. -f"$1" "$2" | tr -d '\\n')
      while [ $(( ${#s} % 4 )) -ne 0 ]; do s="$s="; done
      printf '%s' "$s" | basenc --base64url -d
    }
    part 2 manifest.jws | cmp - manifest.json
    part 1 manifest.jws

cmp must print nothing; the last line shows the fingerprint of the key as "kid". With KID in its
place, and for any file in signatures/ in the place of manifest.jws:

    cut -d. -f1,2 manifest.jws | tr -d '\\n' > signed
    part 3 manifest.jws > signature
    openssl pkeyutl -verify -pubin -inkey keys/KID.pem -rawin -in signed -sigfile signature

must print "Signature Verified Successfully". Whose key it is, no file can tell you: ask the person
for their fingerprint, by another way than the one this file came by. This computes it (RFC 7638):

    X=$(openssl pkey -pubin -in keys/KID.pem -outform DER | tail -c 32 \\
        | basenc --base64url -w0 | tr -d =)
    printf '{"crv":"Ed25519","kty":"OKP","x":"%s"}' "$X" | openssl dgst -sha256 -binary \\
        | basenc --base64url -w0 | tr -d =

The signature in the seal is checked in the same way; what it signs says N and the SHA-256.

4. The chain: was no entry changed, added or taken away after the next one was written? Every line
of journal.jsonl holds its own hash ("digest") and that of the line before ("previous"):

    before=$(printf '0%.0s' $(seq 64))
    while IFS= read -r line; do
      own=$(printf '%s' "$line" | sed -E 's/^.*,"digest":"([0-9a-f]{64})","job":.*$/\\1/')
      rest=$(printf '%s' "$line" | sed -E 's/^(.*),"digest":"[0-9a-f]{64}",("job":.*)$/\\1,\\2/')
      found=$(printf '%s' "$rest" | sha256sum | cut -c1-64)
      case "$rest" in *"\\"previous\\":\\"$before\\""*) ;; *) echo "BROKEN LINK"; esac
      test "$found" = "$own" || echo "CHANGED"
      before=$own
    done < journal.jsonl
    echo "head $before"

must print nothing but the head, which stands in manifest.json. A signature of the journal says
which head it signs:

    part 2 signatures/ENTRY.jws

5. The flow: sha256sum edition.json must print what the first line of journal.jsonl calls "edition".

6. Personal values (only if there is a personal.json): printf the salt as bytes, then the value, and
take the SHA-256; it is the digest that stands in the entry:

    (printf SALT | tr a-f A-F | basenc --base16 -d; printf '%s' 'VALUE') | sha256sum

What none of this can show: that the times are right (they are what the machine's clock said), that
what people told is true, and that nothing was written after the last entry in this file.
"""
