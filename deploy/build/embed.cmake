# Writes a C file that holds the bytes of FROM as `static const unsigned char NAME[]`: cmake -DFROM=... -DTO=... -DNAME=... -P embed.cmake
file(READ ${FROM} hex HEX)
string(REGEX REPLACE "([0-9a-f][0-9a-f])" "0x\\1," bytes "${hex}")
file(WRITE ${TO} "static const unsigned char ${NAME}[] = {${bytes}};\n")
