/* replay.c - runs a fuzz target over the files of its corpus where there is no libFuzzer (style D).
 * An empty folder or a file that cannot be read is a failure: a corpus that is not there proves
 * nothing. */
#include <dirent.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

/* NOLINTNEXTLINE(readability-identifier-naming): the name is libFuzzer's */
int LLVMFuzzerTestOneInput(const uint8_t *bytes, size_t length);

static long size_of(FILE *file)
{
    long size = fseek(file, 0, SEEK_END) == 0 ? ftell(file) : -1;

    return size >= 0 && fseek(file, 0, SEEK_SET) == 0 ? size : -1;
}

/* The block is as long as the file and no longer, so that a sanitizer sees each byte read behind
 * the end. */
static int run_open(FILE *file)
{
    long size = size_of(file);
    uint8_t *bytes = size >= 0 ? malloc(size > 0 ? (size_t)size : 1) : NULL;
    int result = -1;

    if (bytes && fread(bytes, 1, (size_t)size, file) == (size_t)size)
        result = LLVMFuzzerTestOneInput(bytes, (size_t)size);
    free(bytes);
    return result;
}

static int run_file(const char *folder, const char *name)
{
    char path[4096];
    int length = snprintf(path, sizeof(path), "%s/%s", folder, name);
    FILE *file = length > 0 && (size_t)length < sizeof(path) ? fopen(path, "rb") : NULL;
    int result = file ? run_open(file) : -1;

    if (file)
        (void)fclose(file);
    if (result != 0)
        (void)fprintf(stderr, "%s/%s: could not be run\n", folder, name);
    return result;
}

/* The number of files that were run, -1 when one could not be. */
static int run_folder(const char *folder)
{
    DIR *listing = opendir(folder);
    const struct dirent *entry;
    int count = 0;

    if (!listing)
        return -1;
    while (count >= 0 && (entry = readdir(listing)))
        if (entry->d_name[0] != '.')
            count = run_file(folder, entry->d_name) == 0 ? count + 1 : -1;
    closedir(listing);
    return count;
}

int main(int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        int count = run_folder(argv[i]);

        if (count <= 0) {
            (void)fprintf(stderr, "%s: %s\n", argv[i],
                          count == 0 ? "no file in it" : "cannot be run");
            return EXIT_FAILURE;
        }
        (void)fprintf(stderr, "%s: %d files\n", argv[i], count);
    }
    return argc > 1 ? EXIT_SUCCESS : EXIT_FAILURE;
}
