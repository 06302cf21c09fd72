#!/usr/bin/env bash
# Builds litestream (https://litestream.io, Apache 2.0) at a pinned version outside this module and tries it with a
# running Pourbook: TestReplication. It is no part of Pourbook; in a shop it runs beside the server as
#
#   litestream replicate /path/to/book.db file:///other/disk/book     # or sftp://, s3:// …
#
# and the book comes back, with the server stopped, as
#
#   litestream restore -o restored.db file:///other/disk/book
#   pourbook restore -book /path/to/book.db restored.db
#
# It writes two small tables of its own into the book and may be a second behind. It is a second writer, so it is
# optional, and no substitute for the daily backup, which is read through. After a pourbook restore start it on a new
# folder, since the history in the old one is of another file.
set -euo pipefail
cd "$(dirname "$0")/.."
version=v0.5.18
tools=${POURBOOK_TOOLS:-$(mktemp -d)}
[ -x "$tools/litestream" ] || GOBIN=$tools GOFLAGS= go install "github.com/benbjohnson/litestream/cmd/litestream@$version"
POURBOOK_LITESTREAM=$tools/litestream go test -count=1 -v -run TestReplication .
