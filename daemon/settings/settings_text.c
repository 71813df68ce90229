/* settings_text.c - see settings_text.h. What libConfuse does not do by itself: it ends the program
 * when a read fails, counts the line of a comment more than once, and takes the end of the file for
 * the end of a section or a comment. */
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "settings/settings_text.h"

#define TEXT_MOST ((size_t)1 << 20)

static char *read_whole(const char *path, size_t *length, settings_text_fault *tell)
{
    FILE *stream = fopen(path, "r");
    char *text = malloc(TEXT_MOST + 2);
    const char *fault = NULL;

    if (stream && text)
        *length = fread(text, 1, TEXT_MOST + 1, stream);
    if (!text)
        fault = "out of memory";
    else if (!stream || ferror(stream))
        fault = "cannot be read";
    else if (*length > TEXT_MOST)
        fault = "is larger than 1 MiB";
    if (stream)
        (void)fclose(stream);
    if (fault) {
        tell(0, fault);
        free(text);
        return NULL;
    }
    text[*length] = '\0';
    return text;
}

static bool has_nul(const char *text, size_t length, settings_text_fault *tell)
{
    size_t end = strlen(text);
    int line = 1;

    for (size_t i = 0; i < end; i++)
        line += text[i] == '\n';
    if (end < length)
        tell(line, "a NUL byte, which is no text");
    return end < length;
}

static bool is_comment(const char *at)
{
    return *at == '#' || strncmp(at, "//", 2) == 0 || strncmp(at, "/*", 2) == 0;
}

/* Bytes of the comment, string, word or sign at `at`. A word may hold "//": http://… */
static size_t piece_length(const char *at)
{
    const char *end;
    size_t length;

    if (strncmp(at, "/*", 2) == 0) {
        end = strstr(at + 2, "*/");
        return end ? (size_t)(end + 2 - at) : strlen(at);
    }
    if (is_comment(at))
        return strcspn(at, "\n");
    if (*at == '"' || *at == '\'') {
        for (end = at + 1; *end && *end != *at; end++)
            end += *end == '\\' && end[1];
        return (size_t)(end - at) + (*end != '\0');
    }
    length = strcspn(at, " \t\r\n\"'={}()+,#*");
    return length > 0 ? length : 1;
}

static void blank_comments(char *text, settings_text_fault *tell)
{
    int line = 1, opened = 0, depth = 0;

    for (size_t length; *text; text += length) {
        bool comment = is_comment(text);

        length = piece_length(text);
        if (strncmp(text, "/*", 2) == 0 && !strstr(text + 2, "*/"))
            tell(line, "the comment that begins here does not end");
        if (*text == '{') {
            depth++;
            opened = line;
        }
        depth -= *text == '}';
        for (size_t i = 0; i < length; i++) {
            line += text[i] == '\n';
            if (comment && text[i] != '\n')
                text[i] = ' ';
        }
    }
    if (depth > 0)
        tell(opened, "the section that begins here is not closed");
}

char *settings_text(const char *path, size_t *length, settings_text_fault *tell)
{
    char *text = read_whole(path, length, tell);

    if (text && has_nul(text, *length, tell)) {
        free(text);
        return NULL;
    }
    if (text)
        blank_comments(text, tell);
    return text;
}
