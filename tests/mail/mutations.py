"""The judge's own test: a good mail is broken in every way that a rule is about, and each has to be found."""

import judge
import sample
from message import Mail
from together import RULES as TOGETHER

ID = "digest.tarn-valley.duty.2025-09-11.c40a8f9715e13779@keepstart.example"
EARLIER = "digest.tarn-valley.duty.2025-09-10.0123456789abcdef@keepstart.example"

# Rule, what stands in the mail, and what takes its place; every one by itself.
REPLACED = [
    ("header_is_ascii", "Keepstart <digest@", "K\xe9epstart <digest@"),
    ("header_is_ascii", "Keepstart <digest@", "Keep\x07start <digest@"),
    ("header_names_are_known", "MIME-Version", "Bcc: all@tarnvalley.example\nMIME-Version"),
    ("header_names_are_known", "MIME-Version", "X-Note: x\nMIME-Version"),
    ("headers_stand_once", "MIME-Version", "Subject: another\nMIME-Version"),
    ("headers_stand_once", "Auto-Submitted: auto-generated\n", ""),
    ("headers_stand_once", "References:", f"References: <{EARLIER}>\nReferences:"),
    ("encoded_words_are_valid", "Keepstart <digest@", "=?utf-8?Q?a?b c?= <digest@"),
    ("encoded_words_are_valid", "Keepstart <digest@", "=?no-such?B?w6k=?= <digest@"),
    ("encoded_words_are_valid", "Keepstart <digest@", "=?utf-8?Q?a=0D=0ABcc:_all?= <digest@"),
    ("encoded_words_are_valid", "Keepstart <digest@", "=?utf-8?Q?" + "a" * 70 + "?= <digest@"),
    # RFC 2047 section 5: white space around it.
    ("encoded_words_are_valid", "?[G=C3=A9n=C3=A9rateurs]?= 1", "?G=C3=A9n=C3=A9rateurs?=] 1"),
    ("encoded_words_are_valid", "Keepstart <digest@", '"=?utf-8?Q?quoted?=" <digest@'),
    ("one_address_each", "To: duty@", "To: all@tarnvalley.example, duty@"),
    ("one_address_each", "Keepstart <digest@", '"mayor@tarnvalley.example" <digest@'),
    ("one_address_each", "To: duty@tarnvalley.example", "To: duty@"),
    ("date_has_an_offset", "-0600", ""),
    ("date_has_an_offset", "Thu, 11 Sep 2025", "yesterday"),
    ("message_id_has_its_form", ID, "0123@keepstart.example"),
    ("message_id_has_its_form", ID, ID.replace("c40a", "C40A")),
    ("message_id_is_of_the_day", "Thu, 11 Sep 2025", "Sun, 14 Sep 2025"),
    ("references_are_earlier", EARLIER, EARLIER.replace(".duty.", ".planners.")),
    ("references_are_earlier", EARLIER, EARLIER.replace("09-10", "09-11")),
    ("references_are_earlier", "References:", f"In-Reply-To: <{EARLIER.replace('09-10', '09-09')}>\nReferences:"),
    ("unsubscribe_by_https_and_mail", "<https://keepstart.example/v1/uns", "<http://keepstart.example/v1/uns"),
    ("unsubscribe_by_https_and_mail", ",\n <mailto:unsubscribe@keepstart.example?subject=duty>", ""),
    ("unsubscribe_by_https_and_mail", sample.TOKEN, "0198f0a1-7c00-7000-8000-0000000000a7"),
    ("unsubscribe_by_https_and_mail", sample.TOKEN, "42"),
    ("unsubscribe_by_https_and_mail", sample.TOKEN, "duty@tarnvalley.example/" + sample.TOKEN),
    ("unsubscribe_in_one_click", "=One-Click", "=one-click"),
    ("list_has_an_id", "<duty.keepstart.example>", "duty.keepstart.example"),
    ("said_to_be_automatic", "auto-generated", "auto-replied"),
    ("lines_are_short", "1 overdue, 1 due this week\n\nOVERDUE", "1 overdue, 1 due this week" + " x" * 490 + "\n\nOVERDUE"),
    ("parsed_without_defects", "--inner--", "--inner"),
    ("parsed_without_defects", 'boundary="inner"', 'charset="x"'),
    ("text_first_then_html", "multipart/alternative", "multipart/mixed"),
    ("text_first_then_html", "Content-Type: text/plain", "Content-Type: text/enriched"),
    ("text_first_then_html", "text/plain; charset=utf-8", "text/plain; charset=iso-8859-1"),
    ("nothing_is_attached", "Disposition: inline", 'Disposition: attachment; filename="weeks.png"'),
    ("pictures_are_inline_png", "Content-ID: <weeks>", "Content-ID: <others>"),
    ("pictures_are_inline_png", '<img src="cid:weeks"', '<img src="cid:missing"'),
    ("html_is_well_formed", "<h2>Overdue (1)</h2>", "<h2>Overdue (1)</h3>"),
    ("html_is_well_formed", "<td>oil change</td>", "<td>oil <change</td>"),
    ("html_has_known_elements_alone", "<h2>Overdue (1)</h2>", "<script>alert(1)</script><h2>Overdue (1)</h2>"),
    ("html_has_known_elements_alone", "<h2>Overdue (1)</h2>", '<form action="https://x.example"></form><h2>Overdue (1)</h2>'),
    ("html_has_known_elements_alone", "<td>oil change</td>", "<td><iframe></iframe>oil change</td>"),
    ("html_has_known_attributes_alone", "<td>oil change</td>", '<td onmouseover="alert(1)">oil change</td>'),
    ("html_says_nothing_to_the_program", '<meta charset="utf-8">', '<meta http-equiv="refresh" content="1">'),
    ("links_are_https", f'href="{sample.LINK}"', 'href="javascript:alert(1)"'),
    ("links_are_https", f'href="{sample.LINK}"', 'href="data:text/html,x"'),
    ("links_are_https", 'href="https:', 'href="http:'),
    ("links_are_https", 'href="https://', 'href="https://keepstart.example@'),
    ("links_lead_to_one_host", "https://keepstart.example/v1/units", "https://elsewhere.example/v1/units"),
    ("nothing_is_fetched", 'src="cid:weeks"', 'src="https://keepstart.example/weeks.png"'),
    ("nothing_is_fetched", "<body>", '<body background="https://keepstart.example/x.png">'),
    ("styles_only_dress", "background: #fff", "background: url(https://keepstart.example/x.png)"),
    ("styles_only_dress", "<td>oil change</td>", '<td style="position: fixed">oil change</td>'),
    ("styles_only_dress", "<style>", "<style>@import 'x';"),
    ("tables_have_headings", '<th scope="col">Site</th>', "<th>Site</th>"),
    ("tables_have_headings", "th", "td"),
    ("rows_fill_their_table", "<td>oil change</td>", "<td>oil change</td><td>again</td>"),
    ("page_says_what_it_is", '<html lang="en">', "<html>"),
    ("page_says_what_it_is", "Generators of Tarn Valley</title>", "</title>"),
    ("page_says_what_it_is", "<!DOCTYPE html>\n", ""),
    ("page_knows_dark_and_narrow", 'content="light dark"', 'content="light"'),
    ("page_knows_dark_and_narrow", 'name="viewport"', 'name="view"'),
    ("headings_go_down_by_one", "h2>", "h3>"),
    ("headings_go_down_by_one", "h2>", "h1>"),
    ("pictures_have_words", 'alt="Overdue', 'alt="" title="Overdue'),
    ("pictures_have_words", ' width="280"', ""),
    ("no_coordinates", "PS-2 U2: load", "PS-2 at 40.01499, -105.27055 U2: load"),
    ("no_coordinates", "000000a7/due", "000000a7/due?lat=40.1"),
    ("no_phone_numbers", "do the work\nhttps", "do the work, (303) 555-0142\nhttps"),
    ("no_phone_numbers", f'href="{sample.LINK}"', 'href="tel:+13035550142"'),
    ("no_tokens", "000000a7/due", "000000a7/due?token=1"),
    ("no_tokens", "000000a7/due", "000000a7/Zm9vYmFyYmF6cXV4MTIzNDU2"),
    ("no_tokens", "load test, in", "load test eyJhbGciOiJFZERTQSJ9.e30, in"),
    ("unsubscribe_token_is_in_its_header_alone", "\n\nDUE THIS", f"\n\nTo leave: {sample.TOKEN}\n\nDUE THIS"),
    ("no_control_characters", "load test, in", "load\x1b[31m test, in"),
    ("no_control_characters", "<td>load test</td>", "<td>load \u202etest</td>"),
    ("no_control_characters", "=C3=A9rateurs]?= 1", "=C3=A9rateurs=E2=80=AE]?= 1"),
    ("subject_is_short_and_plain", "U7 oil change +9.0 h\n", "U7 oil change +9.0 h and much more that nobody reads\n"),
    ("subject_is_short_and_plain", "n=C3=A9rateurs]?= 1", "n=F0=9F=94=A5]?= 1"),
    ("subject_is_short_and_plain", "Subject: =?utf-8?Q?[G=C3=A9n=C3=A9rateurs]?=", "Subject:"),
    ("subject_counts_what_the_body_tells", "]?= 1 overdue, 1 due", "]?= 1 overdue, 2 due"),
    ("subject_counts_what_the_body_tells", "\n1 overdue, 1 due this week\n\nOVERDUE", "\nMuch is overdue\n\nOVERDUE"),
    ("subject_counts_what_the_body_tells", "1 overdue, 1 due this week -", "much overdue -"),
    ("subject_counts_what_the_body_tells", "1 overdue", "2 overdue"),
    ("subject_names_the_worst", "-\n worst: FS-3 U7", "-\n worst: FS-3 U8"),
    ("subject_names_the_worst", " -\n worst: FS-3 U7 oil change +9.0 h", ""),
    ("headings_count_their_rows", "<h2>Overdue (1)</h2>", "<h2>Overdue (2)</h2>"),
    ("headings_count_their_rows", "</table>\n<h2>Due", "</table>\n<p>and 4 more</p>\n<h2>Due"),
    ("lines_are_complete", "<td>+9.0 h</td>", "<td>late</td>"),
    ("lines_are_complete", "<td>2025-09-10</td>", "<td>lately</td>"),
    ("lines_are_complete", "<td>B</td>", "<td>good</td>"),
    ("lines_are_complete", "\n<td>do the work</td></tr>\n</table>\n<h2>Due", "<td></td></tr>\n</table>\n<h2>Due"),
    ("heartbeat_says_when_it_looked", "?= 1 overdue", "?= still 1 overdue"),
    ("same_words_in_text_and_html", "<td>oil change</td>", "<td>oil change by somebody</td>"),
    ("same_words_in_text_and_html", "load test, in", "load test by somebody, in"),
    ("sections_stand_in_order", "<h2>Overdue (1)</h2>", "<h2>All clear</h2>"),
    ("text_has_the_headings_in_order", "DUE THIS WEEK", "LATER"),
    ("text_has_every_cell", "load test, in", "test, in"),
    ("text_has_every_cell", "+9.0 h, since", f"+9.0 h{' and so on' * 120}, since"),
    ("same_figures_in_text_and_html", "+9.0 h, since", "+9.0 h of 212.4 h, since"),
    ("same_figures_in_text_and_html", "<p>1 overdue, 1 due", "<p>At 06:00: 1 overdue, 1 due"),
    ("same_links_in_text_and_html", f"{sample.LATER_LINK}\n", "\n"),
    ("same_links_in_text_and_html", f'<a href="{sample.LINK}">U7</a>', "U7"),
    ("parts_are_not_empty", sample.TEXT, "See the HTML.\n"),
    ("nothing_is_escaped_twice", "<td>oil change</td>", "<td>oil &amp;amp; change</td>"),
    ("nothing_is_escaped_twice", "load test, in", "load &lt;test, in"),
    ("picture_says_the_same_in_words", "2, 2, 2, 3\n", "2, 2, 3\n"),
    ("picture_says_the_same_in_words", '2, 2, 2, 3"', '2, 2, 3, 3"'),
]
# Rule and the mail as bytes that break it.
WHOLE = [
    ("lines_end_with_crlf", sample.mail().replace(b"OVERDUE (1)\r\n", b"OVERDUE (1)\n", 1)),
    ("lines_end_with_crlf", sample.mail().replace(b"OVERDUE (1)\r\n", b"OVERDUE (1)\r", 1)),
    ("lines_end_with_crlf", sample.mail() + b"."),
    ("lines_end_with_crlf", sample.mail().replace(b"OVERDUE", b"OVER\0DUE", 1)),
    ("pictures_are_inline_png", sample.mail(picture=b"GIF89a")),
    ("pictures_are_inline_png", sample.mail(picture=sample.png()[:-1])),
    ("pictures_are_inline_png", sample.mail(picture=sample.png() + b"<script>")),
    ("pictures_are_inline_png", sample.mail(picture=sample.png()[:-14] + b"\0" + sample.png()[-13:])),
    ("pictures_are_inline_png", sample.mail(picture=sample.png()[:33] + sample.chunk(b"tEXt", b"a\0b") + sample.png()[33:])),
]
ENVELOPES = [
    {**sample.ENVELOPE, "to": ["duty@tarnvalley.example", "all@tarnvalley.example"]},
    {**sample.ENVELOPE, "to": ["all@tarnvalley.example"]},
    {**sample.ENVELOPE, "from": ""},
    {**sample.ENVELOPE, "tls": False},
]
NEXT_ID = ID.replace("09-11", "09-12")
# Rule, and what is another in a second mail that comes after the first one.
AFTER = [
    ("retries_are_the_same_bytes", [("-0600", "-0700")]),
    ("one_mail_for_a_day", [("c40a8f", "c40a8e")]),
    ("nobody_shares_a_token", [("To: duty@", "To: planner@")]),
    ("references_reach_the_mail_before", [(ID, NEXT_ID)]),
    ("references_reach_the_mail_before", [(ID, NEXT_ID), (EARLIER, ID.replace("c40a8f", "c40a8e"))]),
]
# What is no flaw in a second mail.
FINE_AFTER = [[], [(ID, NEXT_ID), (EARLIER, ID)], [("To: duty@", "To: planner@"), (sample.TOKEN, sample.TOKEN[::-1])]]


def replaced(*changes):
    """The good mail with other words."""
    parts = [sample.HEADERS, sample.TEXT, sample.PAGE]
    whole = sample.mail().decode().replace("\r\n", "\n")
    for before, after in changes:
        if before not in "".join(parts) and before not in whole:
            raise SystemExit(f"the sample has no {before!r}")
        parts = [part.replace(before, after) for part in parts]
    if parts != [sample.HEADERS, sample.TEXT, sample.PAGE]:
        return sample.mail(*parts)
    (before, after), = changes
    return whole.replace(before, after).encode().replace(b"\n", b"\r\n")


def found(raw, envelope=sample.ENVELOPE):
    return {rule for rule, _ in judge.judged(Mail("sample", raw, envelope))}


def found_together(changes):
    mails = [Mail("first", sample.mail()), Mail("second", replaced(*changes) if changes else sample.mail())]
    return {rule for _, rule, _ in judge.judged_together(mails)}


def main():
    wrong = [f"the good mail: {flaw}" for flaw in judge.judged(Mail("sample", sample.mail(), sample.ENVELOPE))]
    cases = [(rule, f"{before!r} to {after!r}", found(replaced((before, after)))) for rule, before, after in REPLACED]
    cases += [(rule, f"bytes, case {n}", found(raw)) for n, (rule, raw) in enumerate(WHOLE)]
    cases += [("envelope_has_one_recipient", f"{envelope}", found(sample.mail(), envelope)) for envelope in ENVELOPES]
    cases += [(rule, f"{changes}", found_together(changes)) for rule, changes in AFTER]
    wrong += [f"{rule} does not see {what[:150]}" for rule, what, seen in cases if rule not in seen]
    wrong += [f"a fine second mail, {changes}: {seen}" for changes in FINE_AFTER if (seen := found_together(changes))]
    untried = {rule.__name__ for rule in [*judge.RULES, *TOGETHER]} - {rule for rule, _, _ in cases}
    wrong += [f"{rule} is tried by no mutation" for rule in sorted(untried)]
    print("\n".join(wrong), end="\n" if wrong else "")
    print(f"the judge of mails: {len(cases)} mutations of {len(judge.RULES) + len(TOGETHER)} rules, {len(wrong)} wrong")
    return 1 if wrong else 0
