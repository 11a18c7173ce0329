// The shapes of what server and page tell each other of a draft: types alone.

/** @import { Label } from "/static/picture.js" */

/** @typedef {Pick<Label, "top" | "right" | "bottom" | "left">} Edges letters of directions */
/** @typedef {{ left: number, top: number, width: number, height: number }} Box */
/** @typedef {{ operator?: string, top?: string, mirror?: boolean, flipped?: string, exif_orientation?: string, lingual_fronts?: string }} Habits the practice's own defaults */
/** @typedef {{ after: Record<number, Record<number, number>>, swaps: number[], words: Record<number, string>, flips: Record<string, number> }} Turns */
/** @typedef {Record<string, string>} Table keys of a session sheet and their texts */
/** @typedef {{ purposes?: string[], noted_by?: string, until?: string }} Consent */

/**
 * What the page is told at first, by archiver.web.pages.take_in.pages.
 * @typedef {object} Known
 * @property {Turns} turns
 * @property {string} who confirms sides; empty for one who may not
 * @property {Habits} habits
 * @property {string} today
 * @property {string} edges
 * @property {string} numbering
 */

/**
 * What is said of a picture.
 * @typedef {object} Said
 * @property {string} [view]
 * @property {boolean} [mirror]
 * @property {string[]} [teeth] by ISO 3950
 * @property {string} [top]
 * @property {string} [operator]
 * @property {string} [flipped] how, before it came
 * @property {string} [exif_orientation] "ignore" where the camera's was wrong
 * @property {string} [lingual_fronts] "turned" by half where front teeth are seen from inside
 * @property {string[]} [checked] "teeth", "patient": against what, where earlier pictures say otherwise
 * @property {Box} [crop] in pixels of the turned picture
 * @property {Box} [grey_card] its even part, likewise
 * @property {Box} [tab_region] the front of a shade tab
 * @property {Box} [tooth_region] the crown beside it
 * @property {Box} [scale_region] from one end of what is of known length to the other
 * @property {string} [scale_length] of that, such as 8 mm
 * @property {boolean} [left_out]
 * @property {string} [confirmed_by]
 * @property {string} [colour_frame]
 * @property {string} [functional_state] what lips and jaws do
 * @property {string} [magnification] such as 1:2
 * @property {string} [seen_from] "front", "right" or "left"
 * @property {string} [implant] teeth in whose place one stands
 * @property {string} [pontic] likewise
 * @property {string} [edentulous] likewise, where nothing stands
 * @property {string} [stage]
 * @property {string} [retraction]
 * @property {string} [contraster]
 * @property {string} [light]
 * @property {string} [polariser]
 * @property {string} [purpose]
 * @property {string} [consent]
 * @property {string} [comment]
 * @property {string} [restoration]
 * @property {string} [state]
 * @property {string} [material]
 * @property {string} [tab_system]
 * @property {string} [tab_name]
 * @property {string} [tab_place]
 * @property {string} [tab_number]
 * @property {string} [stump_shade]
 * @property {string} [surface_texture]
 * @property {string} [translucency]
 * @property {string} [gloss]
 * @property {string} [instructions]
 */

/** @typedef {"crop" | "grey_card" | "tab_region" | "tooth_region" | "scale_region"} Drawn keys of parts that are drawn over the picture */
/** @typedef {{ [K in keyof Said]?: Said[K] | null }} Given null for what is said no more */

/**
 * What became of a picture when it was last archived.
 * @typedef {object} Result
 * @property {string} status
 * @property {string[]} problems
 * @property {string[]} warnings
 * @property {{ words: string }[]} findings
 * @property {{ words: string }[]} [doubts] that nothing said had answered
 */

/**
 * What speaks against what is said of a picture, from archiver.web.pages.take_in.draft_doubts.
 * @typedef {object} Doubt
 * @property {string} kind
 * @property {string} words
 * @property {"flipped" | "exif_orientation" | "checked"} asks the key that answers it
 * @property {"teeth" | "patient" | null} against where that is "checked", what to say there
 * @property {boolean} answered
 */

/**
 * @typedef {object} Picture
 * @property {string} digest
 * @property {string} name
 * @property {number} columns
 * @property {number} rows
 * @property {number} exif orientation, 1 to 8
 * @property {string} captured ISO 8601; empty where the camera does not say
 * @property {[number, number]} block
 * @property {string[]} notes
 * @property {Said} said
 * @property {Result | null} result
 * @property {Doubt[] | null} doubts null while they are weighed
 * @property {string[] | null} again why it had better be taken again, and what helps; null while it is judged
 * @property {number} turn
 * @property {Edges | null} edges
 * @property {string} [laterality]
 * @property {string[]} lacks
 * @property {string[]} problems
 */

/** @typedef {{ view: string, teeth: string[], mirror: boolean, open: boolean, more: More }} Offer */
/** @typedef {Partial<Record<"colour_frame" | "functional_state" | "magnification" | "seen_from", string>>} More what else a row asks for */

/**
 * A view that the rules want.
 * @typedef {object} WantedRow
 * @property {string} name
 * @property {string} target
 * @property {number} count
 * @property {string[]} by
 * @property {boolean} there
 * @property {boolean} optional
 * @property {Offer | null} offer
 */

/** @typedef {{ canvas: HTMLCanvasElement, columns: number, rows: number }} Look */

/**
 * A file on its way; what its first bytes tell, and a small picture, come later.
 * @typedef {object} Row
 * @property {File} file
 * @property {boolean} [done]
 * @property {string} [time]
 * @property {number} [turn]
 * @property {Blob | null} [preview]
 * @property {Look} [look]
 * @property {HTMLElement} [node]
 */

/**
 * A draft as the server tells it.
 * @typedef {object} DraftState
 * @property {string} id
 * @property {number} revision
 * @property {string} state
 * @property {Table} patient
 * @property {Table} visit
 * @property {Consent} consent
 * @property {Table} same_person
 * @property {Whose} whose
 * @property {Table} study
 * @property {string} rules
 * @property {string[]} teeth
 * @property {string} stage
 * @property {WantedRow[]} wanted
 * @property {string | null} task
 * @property {StepContents | null} undo
 * @property {StepContents | null} redo
 * @property {string[]} order
 * @property {Record<string, Picture>} pictures
 */

/** @typedef {{ label: Label, words: string, matrix: number[] | null, frame: Box | null }} Framed a picture against its prior: `matrix` from pixels of the prior to its own, `frame` the prior's */
/** @typedef {{ words: string, pictures: string[], keys: string[] }} StepContents what undoing or redoing changes */
/** @typedef {{ doubt: string | null, notes: string[] }} Whose what the archive has against the patient */
/**
 * What the server says is shown of a picture; sent back with the answer of who looked at it.
 * @typedef {{ digest: string, code: string, facts: Record<string, unknown> }} Shown
 */

/** @typedef {{ picture: string, turn: number, shown?: Shown }} Confirm */

/**
 * A change of the draft, as archiver.web.pages.take_in.draft_changes takes it.
 * @typedef {object} Change
 * @property {Record<string, Given>} [pictures]
 * @property {Confirm} [confirm]
 * @property {string} [numbering]
 * @property {Table} [patient]
 * @property {Table} [visit]
 * @property {Consent} [consent]
 * @property {string} [same_person]
 * @property {Table} [study]
 * @property {string} [rules]
 * @property {string} [teeth]
 * @property {boolean} [undo]
 * @property {boolean} [redo]
 */

/**
 * A folder from which pictures may come, from archiver.web.pages.take_in.watched_folders.
 * @typedef {object} Folder
 * @property {string} name
 * @property {boolean} on whether this draft receives from it
 * @property {boolean} elsewhere whether another one does
 * @property {boolean} missing
 * @property {number} there what lies in it that no visit has had
 * @property {string[]} waiting what is still being written
 * @property {{ name: string, words: string }[]} refused
 */

/** @typedef {{ separator: string, n: number, mine: boolean, whose: string }} Separator a picture of a visit's code, and how many pictures follow it */

/** @typedef {{ pause: string, n: number, minutes: number, whose: string }} Pause pictures after a pause, by the first of them */

/** @typedef {{ folders: Folder[], telephone: boolean, separators: Separator[], pauses: Pause[], again?: Record<string, string[] | null> }} ArrivalState */

/** @typedef {{ picture: string, name: string, key: string, before: unknown, now: unknown }} Conflict */

export {};
