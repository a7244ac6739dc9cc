"""Rules about several mails: each yields the name of a mail and what is wrong."""

from headers import addressed_to, identity


def retries_are_the_same_bytes(mails):
    """One id for one recipient is one message, however often it comes."""
    seen = {}
    for mail in mails:
        first = seen.setdefault((mail.value("Message-ID"), addressed_to(mail)), mail)
        if first.raw != mail.raw:
            yield mail.name, f"differs from {first.name}"


def one_mail_for_a_day(mails):
    """One digest of a list for one date to one recipient."""
    seen = {}
    for mail in mails:
        if known := identity(mail.value("Message-ID")):
            first = seen.setdefault((*known[:3], addressed_to(mail)), mail)
            if first.value("Message-ID") != mail.value("Message-ID"):
                yield mail.name, f"{known[2]} has {first.name} already"


def nobody_shares_a_token(mails):
    """Whoever unsubscribes takes nobody else off the list."""
    seen = {}
    for mail in mails:
        first = seen.setdefault(mail.value("List-Unsubscribe").partition(",")[0], mail)
        if addressed_to(first) != addressed_to(mail):
            yield mail.name, f"the one of {first.name}"


def references_reach_the_mail_before(mails):
    """To the last one that the recipient has, or to a later one that did not arrive."""
    lists = {}
    for mail in mails:
        if known := identity(mail.value("Message-ID")):
            lists.setdefault((*known[:2], addressed_to(mail)), {}).setdefault(known[2], mail)
    for of_list in lists.values():
        dates = sorted(of_list)
        for before, date in zip(dates, dates[1:]):
            id = next(iter(of_list[date].value("References").split()[-1:]), "")
            known = identity(id)
            if not known or known[2] < before or (known[2] == before and id != of_list[before].value("Message-ID")):
                yield of_list[date].name, f"does not refer to {of_list[before].name}"


RULES = [retries_are_the_same_bytes, one_mail_for_a_day, nobody_shares_a_token, references_reach_the_mail_before]
