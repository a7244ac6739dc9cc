# The storm chapter of deploy/try: 72 hours before, while it lasts, and after. It uses the functions of deploy/try.
#
# It is played in a copy of the demonstration, since its clock is set on: what goes on afterwards is the fleet of 2 November.

STORM=2026-11-05T08:00:00-07:00
# Later than the walk has come to, since time does not go back.
AFTER_WALK=2026-11-02T08:10:00-07:00
fire=01990593-db00-7ca4-b9f8-c1a4abbbe207 # Ridge Road Fire Station
pump=01990593-db00-7aab-8dad-09ea5580e449 # Lower Weir Pump Station
radio='' spare='' set2='' pump1='' incident='' run2='' pump_run=''

# event ROLE BODY SHOWN FILTER WHY: records an event that the service takes.
event() {
  ask "$1" POST /v1/service-events "$2"
  show "$3"
  expect 201 "$4" "$5"
}

storm() {
  local main=$folder
  say "A storm, played in a copy of all this."
  stop
  mkdir -p "$main/storm"
  cp -- "$main"/keepstart.db* "$main/jwks.json" "$main/signing-key.pem" "$main/storm/"
  folder=$main/storm
  set_on "$AFTER_WALK"
  play
  as_the_log_says
  stop
  folder=$main at=$AFTER_WALK
  launch >/dev/null
}

play() {
  local units
  request coordinator GET '/v1/units?limit=500'
  units=$answer
  id_of() { jq -er --arg unit "$1" 'first(.items[] | select(.label == $unit)).id' <<<"$units" || fail "there is no $1"; }
  set2=$(id_of FS-02) spare=$(id_of WY-04) pump1=$(id_of PS-01)
  request coordinator GET '/v1/sites?limit=100'
  radio=$(jq -er 'first(.items[] | select(.name == "Cold Knoll Radio Site")).id' <<<"$answer") || fail "there is no radio site"
  not_ready
  made_ready
  staged
  spares
  set_on 2026-11-06T02:00:00-07:00
  the_night
  set_on 2026-11-08T12:00:00-07:00
  over
}

not_ready() {
  say "72 hours before: an ice storm is foreseen for Thursday, 08:00. Which sites are not ready?"
  judged
  ask coordinator GET '/v1/readiness/sites?verdict=not_ready'
  show '[.items[] | {site_name, verdict}]'
  expect 200 'any(.items[]; .site_name == "Ridge Road Fire Station")' "the fire station is not ready"
  say "Why the fire station? Each set tells what blocks it, on which events that rests, and what clears it."
  ask coordinator GET "/v1/readiness?site=$fire&verdict=not_ready"
  show '[.items[] | {unit_label, blocked: [.reasons[] | select(.severity == "block") | {rule, code, job} | with_entries(select(.value))]}]'
  expect 200 '[.items[].unit_label] | sort == ["FS-01", "FS-02", "FS-03", "FS-04"]' "no set of the fire station is ready"
  ask custodian GET "/v1/units/$set2/readiness"
  show '.readiness | {verdict, reasons: [.reasons[] | select(.severity != "info") | {severity, rule, code, value, threshold, clears}]}'
  expect 200 '[.readiness.reasons[] | select(.severity != "info") | .rule] == ["last_start", "endurance", "stale_fuel"]' "FS-02 is not ready for three reasons"
}

# judged: waits until the night shift has judged what the walk has changed.
judged() {
  for _ in $(seq 100); do
    request coordinator GET '/v1/readiness/sites?limit=100'
    if jq -e '.pending == null and (.items | length > 11)' <<<"$answer" >/dev/null; then return; fi
    sleep 0.2
  done
  fail "readiness was not judged within 20 seconds: $answer"
}

made_ready() {
  say "The custodian takes the old petrol out and fills fresh; the technician tries the set under load."
  event custodian '{"kind": "fuel", "unit_id": "'"$set2"'", "occurred_at": "2026-11-02T07:10:00-07:00", "action": "taken", "litres": 17}' \
    '{kind, action, litres, warnings}' '.warnings == []' "petrol is taken out"
  event custodian '{"kind": "fuel", "unit_id": "'"$set2"'", "occurred_at": "2026-11-02T07:15:00-07:00", "action": "filled", "litres": 23.6, "bought_on": "2026-11-02", "ethanol": "free"}' \
    '{kind, action, litres, bought_on, warnings}' '.warnings == []' "petrol is filled in"
  event technician '{"kind": "run", "unit_id": "'"$set2"'", "occurred_at": "2026-11-02T07:20:00-07:00", "stopped_at": "2026-11-02T07:52:00-07:00", "reason": "test", "start_attempts": 1, "load_kw": 4.5, "stop_meter_hours": 44.5}' \
    '{kind, reason, load_kw, warnings}' '.warnings == []' "a test is recorded"
  ask technician GET "/v1/units/$set2/fuel"
  show '{in_tank_litres, age: {verdict: .age.verdict, past_share: .age.past_share, stale_from: .age.stale_from}}'
  expect 200 '.age.verdict == "fresh"' "the fuel is fresh"
  ask custodian GET "/v1/units/$set2/readiness"
  show '.readiness | {verdict, until, reasons: [.reasons[] | select(.severity != "info") | {severity, rule, code}]}'
  expect 200 '.readiness.verdict == "ready"' "FS-02 is ready"
  ask custodian GET "/v1/sites/$fire/readiness"
  show '.readiness | {verdict, needed, of, counted}'
  expect 200 '.readiness.verdict == "ready"' "the fire station is ready"
}

staged() {
  say "72 hours of it on paper: when FS-02 stops and for what, and what has to be there."
  ask technician GET "/v1/units/$set2/run-through?from=$STORM&hours=72&load=06:00-22:00=60,22:00-06:00=30&stock_litres=40&can_litres=20"
  show '.plan | {stops: [.stops[] | {at, run_hours, add_litres, work, tasks, reason}], run_hours, fuel_burned_litres, stage, on_site, after: .after[:2], cautions: [.cautions[].text]}'
  expect 200 '.plan.stops | length >= 8' "the set stops for its oil"
  expect 200 '.plan.stage.cans.count > 0 and .plan.stage.oil.bottles_with_spare > 0' "fuel and oil are to be staged"
  local plan=$answer cans bottles
  cans=$(jq .plan.stage.cans.count <<<"$plan") bottles=$(jq .plan.stage.oil.bottles_with_spare <<<"$plan")
  say "And if it lasts four days? Then its oil has to be changed in it."
  ask technician GET "/v1/units/$set2/run-through?from=$STORM&hours=96&load=06:00-22:00=60,22:00-06:00=30&stock_litres=40&can_litres=20"
  show '.plan | {stop: (.stops[] | select(.tasks | index("oil_change")) | {at, run_hours, engine_hours, work, tasks}), stage}'
  expect 200 'any(.plan.stops[]; .tasks | index("oil_change"))' "the oil is changed within four days"
  say "The same for all that may run at both sites of the storm. Two sets are unknown, and the sum says so."
  ask technician GET "/v1/run-through?from=$STORM&hours=72"
  show '.stage | {run_hours, fuel_burned_litres, fuel_to_stage_litres, fuel_grade, oil_bottles, oil_complete, unknown}'
  expect 200 '.stage.fuel_to_stage_litres > 0' "fuel is to be staged"
  say "Who runs out first, and by when does a truck leave that takes an hour and a half?"
  ask technician GET "/v1/endurance?from=$STORM&load=60&keep_reserve=true&travel_hours=1.5&margin_hours=1"
  show '{lasting: [.lasting[] | {unit_id, hours, runs_out_at, leave_by, grade}], unknown: [.unknown[] | {unit_id, enter: [.missing[].enter]}]}'
  expect 200 'any(.lasting[]; .leave_by != null)' "a truck leaves in time"
  say "The planner opens the incident, with what was brought for it."
  incident=$(new_id)
  ask planner POST /v1/incidents "$(jq -cn --arg id "$incident" --arg fire "$fire" --arg pump "$pump" --argjson cans "$cans" --argjson bottles "$bottles" \
    '{id: $id, name: "Ice storm", began_at: "2026-11-05T08:00:00-07:00", site_ids: [$fire, $pump], staging: [
      {site_id: $fire, item: "can", quantity: $cans, unit: "pieces"}, {site_id: $fire, item: "fuel", quantity: ($cans * 20), unit: "litres"},
      {site_id: $fire, item: "oil", quantity: $bottles, unit: "litres"}]}')"
  show '{name, began_at, staging: [.staging[] | {item, quantity, unit}]}'
  expect 201 '.staging | length == 3' "an incident is opened"
}

spares() {
  say "Does the spare of the works yard fit the fire station?"
  ask planner GET "/v1/units/$spare/fit?site_id=$fire"
  show '{fits, fitting, misfits, capacity_kw}'
  expect 200 '.fits == "fits"' "the spare fits"
  say "It is promised to the fire station, and by somebody else to the radio site: recorded, and told."
  local promise
  promise=$(jq -cn --arg unit "$spare" --arg site "$fire" '{unit_id: $unit, site_id: $site, made_at: "2026-11-02T08:00:00-07:00",
    from: "2026-11-05T00:00:00-07:00", until: "2026-11-12T00:00:00-07:00", there_after_hours: 3, bridge: "not_needed"}')
  ask planner POST /v1/promises "$promise"
  show '{from, until, warnings}'
  expect 201 '.warnings == []' "a spare is promised"
  ask coordinator POST /v1/promises "$(jq -c --arg site "$radio" '.site_id = $site | .made_at = "2026-11-02T08:05:00-07:00"' <<<"$promise")"
  show '{warnings: [.warnings[] | {code, detail}]}'
  expect 201 '.warnings | length == 1' "a spare that is promised twice is told"
  ask planner GET /v1/promises/check
  show '[.promises[] | {site_id, counts, reasons: [.reasons[].code], fits: .fit.fits, missing: [.missing[].enter]}]'
  expect 200 '[.promises[].counts] | sort == ["does_not_count", "unknown"]' "one of two promises does not count"
}

the_night() {
  say "Thursday, 08:00: the power is gone. The night of it, 02:00: what was written down since?"
  local events run1
  run1=$(new_id) run2=$(new_id) pump_run=$(new_id)
  events=$(jq -cn --arg fs "$set2" --arg ps "$pump1" --arg one "$run1" --arg two "$run2" --arg three "$pump_run" '{events: [
    {id: $one, kind: "run", unit_id: $fs, phase: "start", occurred_at: "2026-11-05T08:10:00-07:00", reason: "emergency", meter_hours: 44.5},
    {kind: "run", unit_id: $fs, phase: "stop", run_id: $one, occurred_at: "2026-11-05T16:10:00-07:00", load_kw: 3.3, fuel_used_litres: 17.1, meter_hours: 52.5},
    {kind: "service", unit_id: $fs, occurred_at: "2026-11-05T16:15:00-07:00", jobs: [{job: "oil_check"}], oil_added_litres: 0.15},
    {kind: "fuel", unit_id: $fs, occurred_at: "2026-11-05T16:20:00-07:00", action: "filled", litres: 17, bought_on: "2026-11-02", ethanol: "free"},
    {id: $two, kind: "run", unit_id: $fs, phase: "start", occurred_at: "2026-11-05T16:30:00-07:00", reason: "emergency", meter_hours: 52.5},
    {id: $three, kind: "run", unit_id: $ps, phase: "start", occurred_at: "2026-11-05T08:05:00-07:00", reason: "emergency"},
    {kind: "fuel", unit_id: $ps, occurred_at: "2026-11-06T01:30:00-07:00", action: "measured", litres: 905}
  ]}' | with_ids)
  ask technician POST /v1/service-events/batch "$events" "\"\$(cat night.json)\""
  show '[.results[].result] | group_by(.) | map({(.[0]): length}) | add'
  expect 207 'all(.results[]; .result == "applied")' "what happened is recorded"
  say "FS-02 runs, six litres in its tank by the dipstick: which check was missed, and by when does it have to stop?"
  ask technician GET "/v1/units/$set2/run-through?from=2026-11-06T02:00:00-07:00&hours=54&load=06:00-22:00=60,22:00-06:00=30&can_litres=20&fuel_litres=6"
  show '{running: (.running | {since, run_hours, checks, tasks: [.tasks[] | select(.task == "oil_change")]}), next: (.plan.stops[0] | {at, reason, work, add_litres})}'
  expect 200 '.running.checks.missed_hours == [8] and (.plan.stops | length > 4)' "a missed check is told"
  say "The technician stops it, looks at the oil and fills the tank."
  event technician '{"kind": "run", "unit_id": "'"$set2"'", "phase": "stop", "run_id": "'"$run2"'", "occurred_at": "2026-11-06T02:00:00-07:00", "load_kw": 2.6, "fuel_used_litres": 16.9, "meter_hours": 62}' \
    '{kind, phase, meter_hours, warnings}' '.warnings == []' "a stop is recorded"
  event technician '{"kind": "service", "unit_id": "'"$set2"'", "occurred_at": "2026-11-06T02:00:00-07:00", "jobs": [{"job": "oil_check"}], "oil_added_litres": 0.2}' \
    '{kind, jobs, oil_added_litres, warnings}' '.warnings == []' "an oil check is recorded"
  event custodian '{"kind": "fuel", "unit_id": "'"$set2"'", "occurred_at": "2026-11-06T02:00:00-07:00", "action": "filled", "litres": 16.5, "bought_on": "2026-11-02", "ethanol": "free"}' \
    '{kind, action, litres, warnings}' '.warnings == []' "fuel is filled in"
  say "Which of the two sites does the truck go to first?"
  ask technician GET '/v1/endurance?travel_hours=1.5&margin_hours=1&keep_reserve=true'
  show '[.lasting[] | {unit_id, litres, litres_per_hour, hours, leave_by}]'
  expect 200 '.lasting | length > 1' "the tanks of both sites are told"
}

over() {
  say "Sunday, noon: the power has been back since 08:00. The handsets send what they kept."
  local events
  events=$(jq -cn --arg fs "$set2" --arg ps "$pump1" --arg three "$pump_run" '
    [["06T02:20", "06T10:10"], ["06T10:30", "06T18:20"], ["06T18:40", "07T02:30"], ["07T02:50", "07T10:40"],
     ["07T11:00", "07T18:50"], ["07T19:10", "08T03:00"], ["08T03:20", "08T07:50"]] as $runs
    | {events: ([$runs[] | (
        {kind: "run", unit_id: $fs, occurred_at: "2026-11-\(.[0]):00-07:00", stopped_at: "2026-11-\(.[1]):00-07:00", reason: "emergency", load_kw: 3, fuel_used_litres: 15},
        {kind: "service", unit_id: $fs, occurred_at: "2026-11-\(.[1]):00-07:00", jobs: [{job: "oil_check"}]},
        {kind: "fuel", unit_id: $fs, occurred_at: "2026-11-\(.[1]):00-07:00", action: "filled", litres: 15, bought_on: "2026-11-02", ethanol: "free"})]
      + [{kind: "reading", unit_id: $fs, occurred_at: "2026-11-08T07:55:00-07:00", meter_hours: 113.5},
         {kind: "fuel", unit_id: $ps, occurred_at: "2026-11-06T11:00:00-07:00", action: "filled", litres: 800, bought_on: "2026-11-06"},
         {kind: "fuel", unit_id: $ps, occurred_at: "2026-11-07T10:30:00-07:00", action: "filled", litres: 800, bought_on: "2026-11-07"},
         {kind: "run", unit_id: $ps, phase: "stop", run_id: $three, occurred_at: "2026-11-08T07:45:00-07:00", load_kw: 130, fuel_used_litres: 2680}])}' | with_ids)
  ask technician POST /v1/service-events/batch "$events" "\"\$(cat kept.json)\""
  show '[.results[].result] | group_by(.) | map({(.[0]): length}) | add'
  expect 207 'all(.results[]; .result == "applied")' "what happened is recorded"
  change planner "/v1/incidents/$incident" '{"ended_at": "2026-11-08T08:00:00-07:00"}'
  show '{name, began_at, ended_at}'
  expect 200 '.ended_at != null' "the incident is over"
  say "Who ran, for how long and on how much fuel: the pack for whoever pays, as JSON and as CSV."
  ask planner GET "/v1/incidents/$incident/hours-pack"
  show '{name, first: (.runs[1] | {unit_label, from, until, reason, litres, grade}), runs: (.runs | length), sum: (.sum | {hours, litres, complete, grade, units: [.units[] | {hours, litres}]}), staging: (.staging | length)}'
  expect 200 '.sum.hours == 140.67 and .sum.complete and (.runs | length == 10)' "the hours of both sets are summed"
  ask planner GET "/v1/incidents/$incident/hours-pack.csv"
  printf '%s\n' "$status"
  tr -d '\r' <<<"$answer" | sed -n 1,4p
  [ "$status" = 200 ] || fail "the hours pack as CSV: the status is $status: $answer"
  [ "$(grep -c ',run,' <<<"$answer")" = 10 ] || fail "the hours pack as CSV has ten runs: $answer"
  say "In the year's ledger these are emergency hours, which no limit counts."
  ask planner GET "/v1/units/$set2/hours-ledger"
  show '.ledger.years[-1] | {year, emergency, maintenance_test, logged, meter, unlogged, known: (.known | {counted, most_counted, headroom}), verdict}'
  expect 200 '.ledger.years[-1] | .emergency == 69 and .verdict == "within"' "the hours of the storm are emergency hours"
  say "And what is due on it now?"
  ask technician GET "/v1/units/$set2/due"
  show '[.items[] | select(.state != "ok") | {task, state, left_hours: .hours.left_hours, left_days: .calendar.left_days}]'
  expect 200 'any(.items[]; .task == "oil_change" and .state == "coming_due" and .hours.left_hours < 20)' "the oil is due soon"
}

# with_ids: gives each event of a batch an id of its own.
with_ids() {
  local body count ids
  body=$(cat)
  count=$(jq '.events | length' <<<"$body")
  ids=$(for _ in $(seq "$count"); do new_id; done | jq -R . | jq -sc .)
  jq -c --argjson ids "$ids" '.events |= [to_entries[] | .value + {id: (.value.id // $ids[.key])}]' <<<"$body"
}
