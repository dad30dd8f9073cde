#!/bin/sh
# A small certificate authority for trying out Modbus over TLS, and what it signs. README.md in this folder tells how.
#
#     certificates.sh FOLDER authority
#     certificates.sh FOLDER listener NAME HOST...        HOST: each name or address that clients call the gateway by
#     certificates.sh FOLDER client NAME [ROLE]
#
# It makes NAME.pem and NAME.key in FOLDER (the authority: ca.pem and ca.key), and never writes over a file. The role goes
# into the extension 1.3.6.1.4.1.50316.802.1 of a client's certificate. DAYS=90 before it makes what ends in 90 days.
set -eu
umask 077

usage() {
    echo "usage: $0 FOLDER authority | listener NAME HOST... | client NAME [ROLE]" >&2
    exit 2
}

fail() {
    echo "$0: $1" >&2
    exit 1
}

# Names go into files and into openssl's own language: plain ones only.
plain() {
    case $1 in
    '' | [!A-Za-z0-9]* | *[!A-Za-z0-9._-]*) fail "\`$1\` is no plain name: write letters, digits, dots, dashes" ;;
    esac
}

free() {
    for file in "$FOLDER/$1.pem" "$FOLDER/$1.key"; do
        [ ! -e "$file" ] || fail "$file is there already, and nothing is written over"
    done
}

key() {
    openssl genpkey -quiet -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -out "$WORK/key"
}

# Only a whole pair goes into the folder, the key first.
keep() {
    ln "$WORK/key" "$FOLDER/$1.key" || fail "$FOLDER/$1.key cannot be written"
    ln "$WORK/pem" "$FOLDER/$1.pem" || fail "$FOLDER/$1.pem cannot be written"
    chmod 644 "$FOLDER/$1.pem"
    echo "$FOLDER/$1.pem and its key $FOLDER/$1.key, for ${DAYS:-$2} days"
}

authority() {
    free ca
    key
    printf '%s\n' '[req]' 'distinguished_name=dn' '[dn]' '[ca]' 'basicConstraints=critical,CA:TRUE,pathlen:0' \
        'keyUsage=critical,keyCertSign,cRLSign' 'subjectKeyIdentifier=hash' >"$WORK/conf"
    openssl req -x509 -new -config "$WORK/conf" -extensions ca -key "$WORK/key" -sha256 -days "${DAYS:-3650}" \
        -subj "/CN=Register device authority" -out "$WORK/pem"
    keep ca 3650
}

# sign NAME LINE...: the lines are extensions of the certificate.
sign() {
    name=$1
    shift
    free "$name"
    [ -r "$FOLDER/ca.key" ] || fail "there is no authority in $FOLDER; make it first: $0 $FOLDER authority"
    key
    printf '%s\n' '[req]' 'distinguished_name=dn' '[dn]' '[signed]' 'basicConstraints=critical,CA:FALSE' \
        'keyUsage=critical,digitalSignature' 'subjectKeyIdentifier=hash' 'authorityKeyIdentifier=keyid' "$@" >"$WORK/conf"
    openssl req -new -config "$WORK/conf" -key "$WORK/key" -subj "/CN=$name" -out "$WORK/csr"
    openssl x509 -req -in "$WORK/csr" -CA "$FOLDER/ca.pem" -CAkey "$FOLDER/ca.key" -sha256 -days "${DAYS:-825}" \
        -set_serial "0x$(openssl rand -hex 16)" -extfile "$WORK/conf" -extensions signed -out "$WORK/pem" 2>"$WORK/said" ||
        fail "$(cat "$WORK/said")"
    keep "$name" 825
}

hosts() {
    separator=
    for host; do
        case $host in
        *:*) printf '%sIP:%s' "$separator" "$host" ;;
        *[!0-9.]*) plain "$host" && printf '%sDNS:%s' "$separator" "$host" ;;
        *) printf '%sIP:%s' "$separator" "$host" ;;
        esac
        separator=,
    done
}

[ $# -ge 2 ] || usage
FOLDER=$1
KIND=$2
shift 2
mkdir -p "$FOLDER"
# Inside the folder, so that keys never lie on another disk, and what is finished can be linked to its name.
WORK=$(mktemp -d "$FOLDER/.making.XXXXXX")
trap 'rm -rf "$WORK"' EXIT
trap 'exit 1' HUP INT TERM

case $KIND in
authority)
    [ $# -eq 0 ] || usage
    authority
    ;;
listener)
    [ $# -ge 2 ] || usage
    plain "$1"
    name=$1
    shift
    names=$(hosts "$@")
    sign "$name" extendedKeyUsage=serverAuth "subjectAltName=$names"
    ;;
client)
    [ $# -eq 1 ] || [ $# -eq 2 ] || usage
    plain "$1"
    if [ $# -eq 2 ]; then
        plain "$2"
        sign "$1" extendedKeyUsage=clientAuth "1.3.6.1.4.1.50316.802.1=ASN1:UTF8String:$2"
    else
        sign "$1" extendedKeyUsage=clientAuth
    fi
    ;;
*) usage ;;
esac
