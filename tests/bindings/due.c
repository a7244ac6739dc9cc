/* Prints on which day a unit's oil is due: the smallest program that uses the library. */
#include <stdio.h>
#include <string.h>

#include "keepstart.h"

int main(void) {
  static char json[65536];
  const size_t length = fread(json, 1, sizeof json, stdin);
  struct keepstart_text answer;
  const int32_t status = keepstart_answer((const uint8_t *)json, length, &answer);
  if (status == KEEPSTART_NOTHING) return 2;
  /* A text ends with a zero byte. A real program has a JSON library. */
  const char *date = strstr((const char *)answer.data, "\"limit_date\":\"");
  if (status == KEEPSTART_ANSWERED && date) printf("due on %.10s by keepstart %s\n", date + 14, keepstart_version());
  else fprintf(stderr, "%s\n", (const char *)answer.data);
  keepstart_free(&answer);
  return status == KEEPSTART_ANSWERED && date ? 0 : 1;
}
