/**
 * The messages of the socket as types. Generated from server/wire by tests/web/generate_messages.py: do not edit.
 */

export {}

/** @typedef {Hello | Ping | Ready | Sound | Tap} Inbound */

/** @typedef {Welcome | StateMessage | PresenceMessage | Pong | Ack | ErrorMessage} Outbound */

/**
 * A tap was accepted and is on disk under ``seq``.
 *
 * @typedef {object} Ack
 * @property {'ack'} kind
 * @property {string} tap
 * @property {number} seq
 */

/**
 * How a voice says a cue that it doesn't say whole and on its instant: moved by so much, cut short, or not at all.
 *
 * ``moved_ms`` is how much later than due its key word is heard, negative if sooner; ``because`` says why, for people.
 *
 * @typedef {object} Airing
 * @property {boolean} said
 * @property {number} moved_ms
 * @property {string} because
 */

/**
 * Call this now, to one rider or, without one, to the line.
 *
 * @typedef {object} CallAloud
 * @property {'call_aloud'} act
 * @property {'stop' | 'ease' | 'lift' | 'press_on' | 'all_in'} aloud
 * @property {string | null} rider
 */

/**
 * Break the countdown off.
 *
 * @typedef {object} CallOffStart
 * @property {'call_off_start'} act
 */

/**
 * This rider is on the front.
 *
 * @typedef {object} CameThrough
 * @property {string} rider
 * @property {'came_through'} act
 */

/**
 * One thing that differs from the race as it is set up.
 *
 * ``kind``: a rider ``without`` or ``with`` (again), a rider's ``figure`` (``key`` as in the form, or ``stronger``: by
 * which share critical power and W′ are), a ``rule`` (``key`` as in the rules), the ``order``, the ``form``, a
 * ``turn`` (``key`` is the stretch's name; seconds), or the plan's turns ridden ``by_hand``.
 *
 * @typedef {object} ChangeCard
 * @property {'without' | 'with' | 'figure' | 'rule' | 'order' | 'form' | 'turn' | 'by_hand'} kind
 * @property {string} rider
 * @property {string} key
 * @property {number | string | null} before
 * @property {number | string | null} after
 */

/**
 * A plan beside others: the race's own (``key`` empty), or a variant.
 *
 * ``against_s`` is the finish less the race's own; None where one of them is missing. ``refused`` is the sentence if
 * no plan holds.
 *
 * @typedef {object} Column
 * @property {string} key
 * @property {readonly ChangeCard[]} changes
 * @property {string} method
 * @property {readonly string[]} order
 * @property {number | null} finish_s
 * @property {number | null} against_s
 * @property {number | null} gap
 * @property {readonly RiderPart[]} riders
 * @property {readonly ShortCard[]} short
 * @property {string} refused
 */

/**
 * The race's own plan, None if there is none, and the variants tried, the oldest first.
 *
 * @typedef {object} Columns
 * @property {Column | null} own
 * @property {readonly Column[]} variants
 */

/**
 * The silhouette: (distance, height) pairs, at most 400 of them. ``notes`` says what was filled in or chosen.
 *
 * @typedef {object} CourseCard
 * @property {string} name
 * @property {number} length_m
 * @property {readonly (readonly [number, number])[]} profile
 * @property {readonly StretchCard[]} stretches
 * @property {readonly LandmarkCard[]} landmarks
 * @property {boolean} has_height
 * @property {readonly string[]} notes
 */

/**
 * One cue of the known future. ``to`` names whose device speaks it; empty means the whole line.
 *
 * ``air`` holds how voices say it that don't say it whole and on its instant, by their seat: ``director`` is the team
 * voice, ``rider:maya`` Maya's own ear.
 *
 * @typedef {object} CueMessage
 * @property {string} id
 * @property {string} kind
 * @property {number} due_ms
 * @property {boolean} fixed
 * @property {number} priority
 * @property {number} too_late_ms
 * @property {readonly string[]} to
 * @property {string | null} rider
 * @property {number | null} power_w
 * @property {number | null} seconds
 * @property {number | null} distance_m
 * @property {string | null} place
 * @property {readonly string[]} order
 * @property {string | null} words
 * @property {string} because
 * @property {Record<string, Said>} said
 * @property {Record<string, Airing>} air
 */

/**
 * The one who leads swings off now.
 *
 * @typedef {object} CutTurn
 * @property {'cut_turn'} act
 */

/**
 * What one choice of the plan buys, in seconds; below 0 it costs. ``tells`` is False within the search's scatter.
 *
 * ``other_s`` is None where, with the choice made otherwise, nobody holds.
 *
 * @typedef {object} EffectCard
 * @property {string} key
 * @property {string} words
 * @property {string} otherwise
 * @property {number | null} other_s
 * @property {number | null} gain_s
 * @property {boolean} tells
 */

/**
 * What the plan's choices buy, as far as it is worked out. ``whole`` once all are.
 *
 * @typedef {object} Effects
 * @property {readonly EffectCard[]} rows
 * @property {boolean} whole
 */

/**
 * To one sender alone: what was refused and how to mend it. ``tap`` names the tap if there was one.
 *
 * @typedef {object} ErrorMessage
 * @property {'error'} kind
 * @property {string | null} tap
 * @property {string} code
 * @property {string} sentence
 */

/**
 * This rider has little left.
 *
 * @typedef {object} FeltEmpty
 * @property {string} rider
 * @property {'felt_empty'} act
 */

/**
 * This rider has more to give.
 *
 * @typedef {object} FeltGood
 * @property {string} rider
 * @property {'felt_good'} act
 */

/**
 * The gap before this rider is closed.
 *
 * @typedef {object} GapClosed
 * @property {string} rider
 * @property {'gap_closed'} act
 */

/**
 * A gap before this rider.
 *
 * @typedef {object} GapOpened
 * @property {string} rider
 * @property {'gap_opened'} act
 */

/**
 * Go on without this rider.
 *
 * @typedef {object} GoWithout
 * @property {string} rider
 * @property {'go_without'} act
 */

/**
 * The first frame of every socket: who is this?
 *
 * @typedef {object} Hello
 * @property {'hello'} kind
 * @property {string} ticket
 */

/**
 * A place to tap when it is passed.
 *
 * @typedef {object} LandmarkCard
 * @property {string} name
 * @property {number} at_m
 */

/**
 * The front passes this distance.
 *
 * @typedef {object} LandmarkPassed
 * @property {'landmark_passed'} act
 * @property {number} at_m
 */

/**
 * This rider is on the last wheel.
 *
 * @typedef {object} LatchedOn
 * @property {string} rider
 * @property {'latched_on'} act
 */

/**
 * A longer turn for the one who leads; ``rider`` is who leads and asks for it, None the director.
 *
 * @typedef {object} LengthenTurn
 * @property {'lengthen_turn'} act
 * @property {number} by_s
 * @property {string | null} rider
 */

/**
 * The line bunches.
 *
 * @typedef {object} LineBunched
 * @property {'line_bunched'} act
 */

/**
 * The leader is too fast for the line.
 *
 * @typedef {object} LineSurged
 * @property {'line_surged'} act
 */

/**
 * One line of what was called and what was told, newest last.
 *
 * ``air`` says of a cue what became of it on the air, if it wasn't said whole and on its instant.
 *
 * @typedef {object} LogLine
 * @property {number} at_ms
 * @property {'cue' | 'fact'} kind
 * @property {string} what
 * @property {string} text
 * @property {string} by
 * @property {string} because
 * @property {string} cue
 * @property {string} air
 */

/**
 * This rider is adrift.
 *
 * @typedef {object} LostWheel
 * @property {string} rider
 * @property {'lost_wheel'} act
 */

/**
 * The whole line, front first.
 *
 * @typedef {object} OrderSeen
 * @property {'order_seen'} act
 * @property {readonly string[]} order
 */

/**
 * A question for the clock; ``sent`` comes back untouched.
 *
 * @typedef {object} Ping
 * @property {'ping'} kind
 * @property {number} sent
 */

/**
 * Where a rider is. ``slot`` counts from 0 at the front; None apart from the line. ``until_ms`` ends the state.
 *
 * @typedef {object} PlaceMessage
 * @property {string} rider
 * @property {'following' | 'leading' | 'drifting' | 'latching' | 'adrift' | 'out'} place
 * @property {number | null} slot
 * @property {number | null} until_ms
 */

/**
 * The plan as pages show it. ``turns``, each stay on the front, come only with the draft. ``spent`` is who is used
 * up, and from where on (metres): after that turn the rider lets the line go.
 *
 * @typedef {object} PlanCard
 * @property {string} method
 * @property {readonly string[]} order
 * @property {number} finish_s
 * @property {number | null} bound_s
 * @property {number | null} equal_turns_s
 * @property {readonly RuleCard[]} rules
 * @property {readonly ReserveCard[]} reserves
 * @property {readonly (readonly [number, number])[]} schedule
 * @property {readonly StayCard[]} turns
 * @property {readonly (readonly [string, number])[]} spent
 */

/**
 * The clock's answer: the page's own reading, and the race clock on receipt and on sending, in float ms.
 *
 * ``running`` is False while the clock stands still; then the readings are of the server's own clock. ``rate`` is race
 * milliseconds a wall millisecond: 1 but in a rehearsal at another pace. ``gun_ms`` is what the server's own clock
 * showed at the gun: with it, what a page learns of that clock in the lobby holds in the race. ``epoch`` names the
 * server's own clock: readings of two epochs can't be compared.
 *
 * @typedef {object} Pong
 * @property {'pong'} kind
 * @property {number} sent
 * @property {number} received_ms
 * @property {number} answered_ms
 * @property {boolean} running
 * @property {number} rate
 * @property {number | null} gun_ms
 * @property {number} epoch
 */

/**
 * Where the front of the line is believed to be: (ms, m) pairs ahead of now, and the error now, metres.
 *
 * @typedef {object} PositionMessage
 * @property {readonly (readonly [number, number])[]} track
 * @property {number} error_m
 * @property {number} pace
 * @property {number} finish_ms
 * @property {number} against_plan_ms
 */

/**
 * One rider's or the director's devices.
 *
 * @typedef {object} Presence
 * @property {string} who
 * @property {number} devices
 * @property {boolean} ready
 * @property {boolean} sound
 */

/**
 * Who is here, and whether the voice works; with the sentence that says how to mend it if it doesn't.
 *
 * @typedef {object} PresenceMessage
 * @property {'presence'} kind
 * @property {readonly Presence[]} here
 * @property {boolean} voice_ok
 * @property {string} voice_sentence
 * @property {number} clips_ready
 * @property {number} clips_wanted
 */

/**
 * The counted rider is across the line; ``rider`` is who that was, if it is known.
 *
 * @typedef {object} RaceFinished
 * @property {'race_finished'} act
 * @property {string | null} rider
 */

/**
 * The rider or director is ready to start.
 *
 * @typedef {object} Ready
 * @property {'ready'} kind
 * @property {boolean} ready
 */

/**
 * This rider is back in the line at a slot, 0 at the front.
 *
 * @typedef {object} RejoinedAt
 * @property {string} rider
 * @property {'rejoined_at'} act
 * @property {number} slot
 */

/**
 * What the plan expects a rider to have left, as shares of W′.
 *
 * ``least_at_m`` is where it is least; None in plans from before that was noted. ``curve`` is (distance, share) along
 * the course; it comes only with the draft, not with the welcome to a socket.
 *
 * @typedef {object} ReserveCard
 * @property {string} rider
 * @property {number} least
 * @property {readonly number[]} at_stretch_end
 * @property {number} w_prime_j
 * @property {number | null} least_at_m
 * @property {readonly (readonly [number, number])[]} curve
 */

/**
 * What a rider is believed to have left, a share of W′.
 *
 * @typedef {object} ReserveMessage
 * @property {string} rider
 * @property {number} share
 */

/**
 * How a race ended. ``text`` says it for people; riders by their keys, times in ms; None where it isn't known.
 *
 * @typedef {object} ResultMessage
 * @property {string} text
 * @property {number} finish_ms
 * @property {number} against_plan_ms
 * @property {string | null} counted
 * @property {readonly string[]} line
 * @property {readonly string[]} adrift
 * @property {readonly string[]} out
 * @property {number} turns
 * @property {number} order_changes
 */

/**
 * Call again after a stop to the whole line.
 *
 * @typedef {object} Resume
 * @property {'resume'} act
 */

/**
 * This rider is out.
 *
 * @typedef {object} Retired
 * @property {string} rider
 * @property {'retired'} act
 */

/**
 * A rider as screens show one. ``mark`` is a shape, ``hue`` a number: identity never hangs on colour alone.
 *
 * @typedef {object} RiderCard
 * @property {string} id
 * @property {string} name
 * @property {string} initials
 * @property {'circle' | 'square' | 'triangle' | 'diamond' | 'hexagon' | 'star' | 'cross' | 'drop' | 'bar' | 'ring'} mark
 * @property {number} hue
 * @property {string} language
 */

/**
 * A rider's part in a plan: turns, their sum, mean power there, least reserve as a share of W′ and where.
 *
 * @typedef {object} RiderPart
 * @property {string} rider
 * @property {string} name
 * @property {number} turns
 * @property {number} front_s
 * @property {number} power_w
 * @property {number} least
 * @property {number} least_j
 * @property {number | null} least_at_m
 */

/**
 * How the line rides a part of the course.
 *
 * @typedef {object} RuleCard
 * @property {string} name
 * @property {number} start_m
 * @property {number} end_m
 * @property {number} speed_mps
 * @property {readonly TurnCard[]} turns
 */

/**
 * A cue's words in one language, and the clip that says them; no clip while it is being rendered, or no engine.
 *
 * ``key_ms`` and ``length_ms`` are a guess as long as there is no clip.
 *
 * @typedef {object} Said
 * @property {string} text
 * @property {string | null} clip
 * @property {number} starts_ms
 * @property {number} key_ms
 * @property {number} length_ms
 */

/**
 * Say these words of the director's own now, to one rider or, without one, to the line.
 *
 * @typedef {object} SayAloud
 * @property {'say_aloud'} act
 * @property {string} text
 * @property {string | null} rider
 */

/**
 * Begin the countdown.
 *
 * @typedef {object} SetStart
 * @property {'set_start'} act
 * @property {number} countdown_s
 */

/**
 * Who would fall below the margin at the plan's old speeds: where, by how much.
 *
 * @typedef {object} ShortCard
 * @property {string} rider
 * @property {string} name
 * @property {number} at_m
 * @property {number} short_j
 */

/**
 * A shorter turn for the one who leads.
 *
 * @typedef {object} ShortenTurn
 * @property {'shorten_turn'} act
 * @property {number} by_s
 */

/**
 * The sound check on this device: heard, or not.
 *
 * @typedef {object} Sound
 * @property {'sound'} kind
 * @property {boolean} heard
 */

/**
 * All that a page shows, complete in itself.
 *
 * ``clock`` is the race clock when the message was made, ``None`` while it stands still in the lobby.
 * ``cues`` is the whole known future up to ``cues_until_ms``; what isn't in it and isn't fixed is withdrawn. What lies
 * beyond stands as it was told before, if that was of the same ``future``; each fact makes another one.
 * ``may`` names the director's acts that would be accepted now; ``undo`` says what undo would take back, or nothing.
 * ``sound_check`` is there in the lobby alone: one cue a rider, for that rider's device to speak when it is asked to.
 * ``result`` is there once the counted rider is across the line.
 *
 * @typedef {object} StateMessage
 * @property {'state'} kind
 * @property {number} revision
 * @property {'lobby' | 'countdown' | 'racing' | 'halted' | 'over'} phase
 * @property {number | null} clock
 * @property {readonly PlaceMessage[]} line
 * @property {TurnMessage | null} turn
 * @property {readonly TurnMessage[]} upcoming
 * @property {PositionMessage | null} position
 * @property {readonly ReserveMessage[]} reserves
 * @property {readonly TroubleMessage[]} troubles
 * @property {readonly CueMessage[]} cues
 * @property {number} cues_until_ms
 * @property {number} future
 * @property {number} spare
 * @property {readonly string[]} may
 * @property {string} undo
 * @property {readonly CueMessage[]} sound_check
 * @property {ResultMessage | null} result
 * @property {readonly LogLine[]} log
 */

/**
 * One stay on the front as the plan expects it.
 *
 * @typedef {object} StayCard
 * @property {string} rider
 * @property {number} start_s
 * @property {number} start_m
 * @property {number} end_m
 * @property {number} length_s
 * @property {number} power_w
 * @property {number} speed_mps
 */

/**
 * A stretch of the course with the plan's rule for it: who pulls how long and how hard.
 *
 * @typedef {object} StretchCard
 * @property {string} name
 * @property {'flat' | 'climb' | 'descent'} terrain
 * @property {number} start_m
 * @property {number} end_m
 * @property {number} rise_m
 * @property {number} mean_grade
 */

/**
 * This rider left the front.
 *
 * @typedef {object} SwungOff
 * @property {string} rider
 * @property {'swung_off'} act
 */

/**
 * Something seen or asked for.
 *
 * ``tap`` is a key of the page's own making: the same tap sent twice, over two sockets, counts once.
 *
 * @typedef {object} Tap
 * @property {'tap'} kind
 * @property {string} tap
 * @property {number | null} seen_ms
 * @property {SwungOff | LatchedOn | RejoinedAt | CameThrough | OrderSeen | LostWheel | Retired | GapOpened | GapClosed | LineBunched | LineSurged | LandmarkPassed | FeltGood | FeltEmpty | RaceFinished | LengthenTurn | ShortenTurn | CutTurn | WaitFor | GoWithout | CallAloud | SayAloud | Resume | Undo | SetStart | CallOffStart} act
 */

/**
 * What was refused, and how to mend it. The answer to every request that cannot be met.
 *
 * @typedef {object} Trouble
 * @property {string} code
 * @property {string} sentence
 */

/**
 * Something wrong with the line that stands until it is mended.
 *
 * @typedef {object} TroubleMessage
 * @property {'gap' | 'adrift'} kind
 * @property {string} rider
 * @property {number} since_ms
 * @property {'' | 'wait' | 'go'} decided
 */

/**
 * How a rider leads on a stretch; a length of 0 means the rider only follows there.
 *
 * @typedef {object} TurnCard
 * @property {string} rider
 * @property {number} length_s
 * @property {number} power_w
 */

/**
 * A turn: now, or to come. ``because`` says why it is not as long as planned; empty if it is.
 *
 * @typedef {object} TurnMessage
 * @property {number} number
 * @property {string} rider
 * @property {number} began_ms
 * @property {number | null} ends_ms
 * @property {number} planned_ms
 * @property {number} power_w
 * @property {string} because
 */

/**
 * Put the line back as it was before the last fact.
 *
 * @typedef {object} Undo
 * @property {'undo'} act
 */

/**
 * Wait for this rider.
 *
 * @typedef {object} WaitFor
 * @property {string} rider
 * @property {'wait_for'} act
 */

/**
 * The answer to hello, and again whenever riders, course, plan or the team voice's language change.
 *
 * ``language`` is the team voice's; a rider's own ear hears the rider's, see the roster.
 *
 * @typedef {object} Welcome
 * @property {'welcome'} kind
 * @property {You} you
 * @property {string} code
 * @property {string} race
 * @property {string | null} rehearsal
 * @property {string} language
 * @property {number} counted
 * @property {readonly RiderCard[]} roster
 * @property {CourseCard} course
 * @property {PlanCard} plan
 */

/**
 * What is being worked out for a race. ``over`` once it is; ``trouble`` if it came to nothing.
 *
 * @typedef {object} WorkCard
 * @property {'plan' | 'what_if' | 'effects' | 'proof' | null} doing
 * @property {string} step
 * @property {number} share
 * @property {boolean} over
 * @property {Trouble | null} trouble
 * @property {number} revision
 */

/**
 * Whom the server takes this page for.
 *
 * @typedef {object} You
 * @property {'director' | 'rider'} role
 * @property {string | null} rider
 */
