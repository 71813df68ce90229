/* Packing against an earlier text: what went in comes out, whatever it is; what cannot come out is
 * said. */
#include "given.h"

#include "heap.h"
#include "store/pack.h"

static struct text text_of(const char *bytes)
{
    return (struct text){bytes, strlen(bytes)};
}

/* As the store does it: pack, learn when there is no base; then unpack with the base as it was.
 * Returns how long the packed one is. */
static size_t round_trip(struct bases *bases, struct unpacker *unpacker, struct text base,
                         struct text text, int64_t seq)
{
    struct text packed, plain;
    int64_t on;
    size_t length;
    char *copy;

    bases_pack(bases, "kind", "main", text, &packed, &on);
    if (on == 0) {
        assert_ptr_equal(packed.bytes, text.bytes);
        bases_learn(bases, "kind", "main", seq, text);
        return text.length;
    }
    length = packed.length;
    copy = malloc(length);
    assert_non_null(copy);
    memcpy(copy, packed.bytes, length);
    if (!unpacker_knows(unpacker, on))
        assert_int_equal(unpacker_learn(unpacker, on, base), STATUS_OK);
    assert_int_equal(unpack(unpacker, (struct text){copy, length}, &plain), STATUS_OK);
    assert_int_equal(plain.length, text.length);
    assert_memory_equal(plain.bytes, text.bytes, text.length);
    free(copy);
    return length;
}

static void fill(char *out, size_t length, uint32_t seed, unsigned letters)
{
    for (size_t i = 0; i < length; i++) {
        seed = seed * 1664525U + 1013904223U; /* common practice: an LCG */
        out[i] = (char)('a' + (seed >> 24) % letters);
    }
    out[length] = '\0';
}

static void test_round_trips(void **state)
{
    static const size_t lengths[] = {0, 1, 63, 64, 65, 1400, 4096, 8000, 16384, 16385, 70000};
    static char base[70001], text[70001];
    struct bases *bases;
    struct unpacker *unpacker;

    (void)state;
    for (size_t i = 0; i < sizeof(lengths) / sizeof(lengths[0]); i++) {
        for (unsigned letters = 1; letters <= 26;
             letters += 5) { /* from what packs to nothing to what does not pack */
            assert_int_equal(bases_new(&bases), STATUS_OK);
            assert_int_equal(unpacker_new(&unpacker), STATUS_OK);
            fill(base, lengths[i], 1, letters);
            memcpy(text, base, lengths[i] + 1);
            if (lengths[i] > 10)
                text[lengths[i] / 2] = '#';
            round_trip(bases, unpacker, text_of(base), text_of(base), 1);
            round_trip(bases, unpacker, text_of(base), text_of(text), 2);
            fill(text, lengths[i], 2, letters);
            round_trip(bases, unpacker, text_of(base), text_of(text), 3);
            bases_free(bases);
            unpacker_free(unpacker);
        }
    }
}

static void test_it_does_pack(void **state)
{
    static struct made made;
    struct bases *bases;
    struct unpacker *unpacker;
    char first[1600];

    (void)state;
    assert_int_equal(bases_new(&bases), STATUS_OK);
    assert_int_equal(unpacker_new(&unpacker), STATUS_OK);
    made_texts(&made, 0, 1);
    snprintf(first, sizeof(first), "%s", made.became[0]);
    assert_int_equal(round_trip(bases, unpacker, text_of(first), text_of(first), 1), strlen(first));
    made_texts(&made, 0, 123456);
    assert_in_range(round_trip(bases, unpacker, text_of(first), text_of(made.became[0]), 2), 5,
                    150);
    bases_free(bases);
    unpacker_free(unpacker);
}

static void test_what_is_forgotten_is_no_base(void **state)
{
    static struct made made;
    struct bases *bases;
    struct text packed;
    int64_t on;

    (void)state;
    assert_int_equal(bases_new(&bases), STATUS_OK);
    made_texts(&made, 0, 1);
    bases_learn(bases, "a", "main", 10, text_of(made.became[0]));
    bases_learn(bases, "b", "main", 11, text_of(made.became[0]));
    bases_learn(bases, "c", "main", 9, text_of(made.became[0]));
    bases_forget_from(bases, 10);
    bases_pack(bases, "a", "main", text_of(made.became[0]), &packed, &on);
    assert_int_equal(on, 0);
    bases_pack(bases, "b", "main", text_of(made.became[0]), &packed, &on);
    assert_int_equal(on, 0);
    bases_pack(bases, "c", "main", text_of(made.became[0]), &packed, &on);
    assert_int_equal(on, 9);
    bases_pack(bases, "c", "panel", text_of(made.became[0]), &packed, &on);
    assert_int_equal(on, 0); /* another role is another text */
    bases_free(bases);
}

static void test_more_kinds_than_there_is_room_for(void **state)
{
    static struct made made;
    struct bases *bases;
    struct text packed;
    char kind[80];
    int64_t on, known = 0;

    (void)state;
    assert_int_equal(bases_new(&bases), STATUS_OK);
    made_texts(&made, 0, 1);
    for (int i = 1; i <= 300; i++) {
        snprintf(kind, sizeof(kind), "kind-%d", i);
        bases_learn(bases, kind, "main", i, text_of(made.became[0]));
    }
    for (int i = 1; i <= 300; i++) {
        snprintf(kind, sizeof(kind), "kind-%d", i);
        bases_pack(bases, kind, "main", text_of(made.became[0]), &packed, &on);
        assert_true(on == 0 || on == i);
        known += on != 0;
    }
    assert_int_equal(known, 128);
    memset(kind, 'k', 79);
    kind[79] = '\0';
    bases_learn(bases, kind, "main", 1,
                text_of(made.became[0])); /* a name too long to keep: not packed, that is all */
    bases_pack(bases, kind, "main", text_of(made.became[0]), &packed, &on);
    assert_int_equal(on, 0);
    bases_free(bases);
}

/* Bytes changed or cut: said, never another text. */
static void test_damaged_bytes(void **state)
{
    static struct made made;
    struct bases *bases;
    struct unpacker *unpacker;
    struct text packed, plain;
    int64_t on;
    char first[1600], bytes[400];
    size_t length;

    (void)state;
    assert_int_equal(bases_new(&bases), STATUS_OK);
    assert_int_equal(unpacker_new(&unpacker), STATUS_OK);
    made_texts(&made, 0, 1);
    snprintf(first, sizeof(first), "%s", made.became[0]);
    bases_learn(bases, "kind", "main", 1, text_of(first));
    assert_int_equal(unpacker_learn(unpacker, 1, text_of(first)), STATUS_OK);
    made_texts(&made, 0, 77);
    bases_pack(bases, "kind", "main", text_of(made.became[0]), &packed, &on);
    length = packed.length;
    assert_in_range(length, 5, sizeof(bytes) - 1);
    memcpy(bytes, packed.bytes, length);
    for (size_t cut = 0; cut < length; cut++)
        assert_int_equal(unpack(unpacker, (struct text){bytes, cut}, &plain), STATUS_DAMAGED);
    for (size_t i = 0; i < length * 8; i++) {
        enum status status;

        bytes[i / 8] = (char)(bytes[i / 8] ^ 1 << i % 8);
        status = unpack(unpacker, (struct text){bytes, length}, &plain);
        if (status == STATUS_OK) { /* a copy taken from another place where the same stands */
            assert_int_equal(plain.length, strlen(made.became[0]));
            assert_memory_equal(plain.bytes, made.became[0], plain.length);
        } else {
            assert_int_equal(status, STATUS_DAMAGED);
        }
        bytes[i / 8] = (char)(bytes[i / 8] ^ 1 << i % 8);
    }
    bases_free(bases);
    unpacker_free(unpacker);
}

static void test_each_failed_allocation(void **state)
{
    static struct made made;
    unsigned nth = 0;
    bool failed;

    (void)state;
    made_texts(&made, 0, 1);
    do {
        struct bases *bases = NULL;
        struct unpacker *unpacker = NULL;
        struct text packed, plain;
        int64_t on = 0;

        heap_fail_at(++nth);
        if (bases_new(&bases) == STATUS_OK && unpacker_new(&unpacker) == STATUS_OK) {
            bases_learn(bases, "kind", "main", 1, text_of(made.became[0]));
            bases_pack(bases, "kind", "main", text_of(made.became[0]), &packed, &on);
            if (on == 1 && unpacker_learn(unpacker, 1, text_of(made.became[0])) == STATUS_OK) {
                enum status status = unpack(unpacker, packed, &plain);

                assert_true(status == STATUS_OK || status == STATUS_NO_MEMORY);
            }
        }
        heap_fail_at(0);
        failed = heap_did_fail();
        bases_free(bases);
        unpacker_free(unpacker);
    } while (failed && nth < 100);
    assert_in_range(nth, 5, 99);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_round_trips),
        cmocka_unit_test(test_it_does_pack),
        cmocka_unit_test(test_what_is_forgotten_is_no_base),
        cmocka_unit_test(test_more_kinds_than_there_is_room_for),
        cmocka_unit_test(test_damaged_bytes),
        cmocka_unit_test(test_each_failed_allocation),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
