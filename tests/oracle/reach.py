"""Which features of the rules a case reaches, for the statistics."""


def reached(case, evaluation, answer):
    """The names of the features that made this case's answer what it is."""
    found = {f"event {e['kind']}" for e in case["events"]}
    for event in case["events"]:
        if event["kind"] == "correction":
            found.add(f"correction {event['action']}")
            if "other_unit_id" in event:
                found.add(f"correction {event['action']} of units")
    chain, runs = evaluation.chain, evaluation.hours.runs
    found |= {f"grade {answer['engine_hours']['grade']}"}
    found |= {"set aside"} if answer["set_aside"] else set()
    found |= {"swap not recorded"} if answer["swap_not_recorded"] else set()
    found |= {"stop missing"} if answer["stop_missing"] else set()
    found |= {"rollover happened"} if chain.rolled_over else set()
    found |= {f"run ended by {r.ended_by or 'nothing'}" for r in runs.runs}
    if len(runs.united) < len(runs.runs):
        found.add("runs overlap")
    if not case["unit"].get("meter_fitted", True):
        found.add("no meter")
    found |= set(evaluation.conditions.reached)
    if any(e["instant"] > evaluation.at for e in evaluation.history.happened):
        found.add("past")
    if len(case["sites"]) > 1:
        found.add("several sites")
    for item in evaluation.items.values():
        found |= of_item(item)
    for row in answer["items"]:
        found.add(f"state {row['state']}" + (f" {row['reason']}" if row["reason"] else ""))
        late = row.get("late")
        if late:
            found.add("late")
            if late.get("justified_by"):
                found.add(f"late justified by {late['justified_by']}")
    return found


def of_item(item):
    plan = item.clock.plan
    task, anchor = plan.task, plan.anchor
    found = set()
    if anchor is not None:
        found.add(f"anchor {anchor.kind}")
        if anchor.completed:
            found.add(f"policy {task.get('anchor', 'actual')}")
            if (plan.date_limit or plan.hours_limit) and kept(anchor):
                found.add("planned point kept")
            if anchor.completion.substitute and "substitute_factor" in task:
                found.add("substitute")
    if plan.finished:
        found.add("once, done")
    for name in ("severe", "once", "earliest", "storage", "reset_by_passed", "duplicates"):
        if name in task:
            found.add(f"task {name}")
    if "severe" in task:
        found.add(f"severe {task['severe'].get('mode', 'weighted')}")
    for name in ("fixed_dates", "by", "to_month_end", "on_failed", "days", "months", "hours"):
        if name in task["limits"]:
            found.add(f"limit {name}")
    if any(name.startswith("failed_") for name in item.clock.breaks):
        found.add("due by a failed check")
    found |= {"recommission gate"} if item.gate else set()
    found |= {"waited for an emergency"} if item.waited else set()
    found |= {"failed"} if item.failed else set()
    found |= {"component hours"} if item.component_hours is not None else set()
    return found


def kept(anchor):
    """Whether late or early work left the planned point where it was."""
    hours = anchor.hours is not None and anchor.hours != anchor.at_work
    return hours or anchor.day != anchor.completion.day
