/* Made of src/border.rs by a test: KEEPSTART_HEADER=write cargo test -p binding --test header. */

#ifndef KEEPSTART_H
#define KEEPSTART_H

#include <stddef.h>
#include <stdint.h>

/*
 `out` has the answers.
 */
#define KEEPSTART_ANSWERED 0

/*
 `out` has a problem: what is wrong with the request, each with a JSON Pointer to its place.
 */
#define KEEPSTART_PROBLEM 1

/*
 There is no `out`, so nothing was done.
 */
#define KEEPSTART_NOTHING 2

/*
 JSON in UTF-8 that this library made; give it back with keepstart_free.
 */
struct keepstart_text {
  /*
   Its bytes, with a zero byte after them that does not count; null if there is no text.
   */
  uint8_t *data;
  /*
   How many bytes.
   */
  size_t length;
};

#ifdef __cplusplus
extern "C" {
#endif // __cplusplus

/*
 Answers questions about records.

 `json` has `length` bytes of JSON in UTF-8, of which the library keeps nothing; null stands for no bytes. `out` is written
 without being read, so what was in it has to be given back before. Any thread may call this at any time.

 # Safety
 `json` is null or has `length` bytes that nobody writes meanwhile; `out` is null or may be written.
 */
int32_t keepstart_answer(const uint8_t *json,
                         size_t length,
                         struct keepstart_text *out);

/*
 Gives a text back; it is empty then. Null, and a text that is empty, are fine.

 # Safety
 `text` is null, or keepstart_answer wrote it and nobody else uses it.
 */
void keepstart_free(struct keepstart_text *text);

/*
 The version of this library, as text that ends with a zero byte and is never given back.
 */
const char *keepstart_version(void);

#ifdef __cplusplus
}  // extern "C"
#endif  // __cplusplus

#endif  /* KEEPSTART_H */
