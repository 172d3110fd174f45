/**
 * The few words of a bar screen in each language that cues are spoken in. Long words would have to be small: each fits
 * a phone's width at arm's length, one word a row.
 */

/** @typedef {import('../../lib/messages.js').PlaceMessage['place']} Place */
/** @typedef {'lead' | 'follow' | 'drift' | 'latch' | 'adrift' | 'waited' | 'alone' | 'out' | 'off' | 'ready' | 'done'} Doing */
/**
 * @typedef {object} Words
 * @property {Record<Doing, string>} doing what this rider does now, or next
 * @property {Record<string, string>} cue by kind of cue
 * @property {Record<'for' | 'without' | 'behind', string>} about before another rider's name
 * @property {Record<string, string>} terrain a stretch without a name of its own
 * @property {string} then before what comes next
 * @property {Record<'good' | 'empty' | 'lost' | 'off' | 'back' | 'stop' | 'hold', string>} taps
 */

/** @type {Record<string, Words>} */
export const WORDS = {
  en: {
    doing: { lead: 'Lead', follow: 'Follow', drift: 'Drift', latch: 'Latch', adrift: 'Adrift', waited: 'Come back', alone: 'Own pace', out: 'Out', off: 'Off', ready: 'Ready', done: 'Done' },
    cue: { stop: 'Stop', start: 'Go', switch: 'Switch', switch_next: 'Lead', off_now: 'Off', stay_on: 'Stay on', stand_by: 'Next', hold: 'Hold', close_gap: 'Close gap', latch_on: 'On', ease: 'Ease', lift: 'Pick up', press_on: 'Come past', wait: 'Wait', go: 'Go on', new_order: 'Order', all_in: 'All in', say: 'Listen', rested: 'Off', adrift: 'Lost', out: 'Out', time: 'Time', spend: 'Last turn' },
    about: { for: 'for', without: 'without', behind: 'behind' },
    terrain: { climb: 'Climb', descent: 'Descent', flat: 'Flat' },
    then: 'then',
    taps: { good: 'Good', empty: 'Empty', lost: 'Lost wheel', off: 'I’m off', back: 'Back on', stop: 'Must stop', hold: 'hold' },
  },
  de: {
    doing: { lead: 'Führen', follow: 'Folgen', drift: 'Zurück', latch: 'Dran', adrift: 'Lücke', waited: 'Komm ran', alone: 'Allein', out: 'Raus', off: 'Raus', ready: 'Bereit', done: 'Ziel' },
    cue: { stop: 'Stopp', start: 'Los', switch: 'Raus', switch_next: 'Führen', off_now: 'Raus', stay_on: 'Bleib vorn', stand_by: 'Gleich', hold: 'Halten', close_gap: 'Loch zu', latch_on: 'Ran', ease: 'Ruhig', lift: 'Tempo hoch', press_on: 'Vorbei', wait: 'Warten', go: 'Weiter', new_order: 'Folge', all_in: 'Vollgas', say: 'Hör zu', rested: 'Raus', adrift: 'Reißt ab', out: 'Aus', time: 'Zeit', spend: 'Letzte' },
    about: { for: 'auf', without: 'ohne', behind: 'hinter' },
    terrain: { climb: 'Anstieg', descent: 'Abfahrt', flat: 'Flach' },
    then: 'dann',
    taps: { good: 'Gut', empty: 'Leer', lost: 'Rad weg', off: 'Bin raus', back: 'Wieder dran', stop: 'Muss halten', hold: 'halten' },
  },
  fr: {
    doing: { lead: 'Mène', follow: 'Suis', drift: 'Recule', latch: 'Recolle', adrift: 'Lâché', waited: 'Rentre', alone: 'Seul', out: 'Fini', off: 'Sors', ready: 'Prêt', done: 'Arrivée' },
    cue: { stop: 'Stop', start: 'Go', switch: 'Écarte', switch_next: 'Mène', off_now: 'Sors', stay_on: 'Reste', stand_by: 'Relais', hold: 'Tiens', close_gap: 'Le trou', latch_on: 'La roue', ease: 'Mollo', lift: 'Plus vite', press_on: 'Passe', wait: 'On attend', go: 'On y va', new_order: 'Ordre', all_in: 'À bloc', say: 'Écoute', rested: 'Sors', adrift: 'Lâché', out: 'Hors course', time: 'Temps', spend: 'Dernier' },
    about: { for: '', without: 'sans', behind: 'derrière' },
    terrain: { climb: 'Montée', descent: 'Descente', flat: 'Plat' },
    then: 'puis',
    taps: { good: 'Bien', empty: 'Vide', lost: 'Lâché', off: 'Je sors', back: 'Revenu', stop: 'Je m’arrête', hold: 'tenir' },
  },
  es: {
    doing: { lead: 'Tira', follow: 'Sigue', drift: 'Atrás', latch: 'Entra', adrift: 'Corte', waited: 'Vuelve', alone: 'Solo', out: 'Fuera', off: 'Sal', ready: 'Listo', done: 'Meta' },
    cue: { stop: 'Alto', start: 'Ya', switch: 'Cambio', switch_next: 'Tira', off_now: 'Fuera ya', stay_on: 'Sigue', stand_by: 'Prepara', hold: 'Mantén', close_gap: 'Cierra', latch_on: 'A rueda', ease: 'Afloja', lift: 'Más ritmo', press_on: 'Pasa', wait: 'Espera', go: 'Seguir', new_order: 'Orden', all_in: 'A tope', say: 'Oye', rested: 'Fuera ya', adrift: 'Perdido', out: 'Fuera', time: 'Tiempo', spend: 'Último' },
    about: { for: 'a', without: 'sin', behind: 'tras' },
    terrain: { climb: 'Subida', descent: 'Bajada', flat: 'Llano' },
    then: 'luego',
    taps: { good: 'Bien', empty: 'Vacío', lost: 'Cortado', off: 'Salgo', back: 'Dentro', stop: 'Debo parar', hold: 'mantener' },
  },
  it: {
    doing: { lead: 'Tira', follow: 'Segui', drift: 'Scendi', latch: 'Rientra', adrift: 'Perso', waited: 'Torna', alone: 'Da solo', out: 'Fuori', off: 'Esci', ready: 'Pronto', done: 'Arrivo' },
    cue: { stop: 'Stop', start: 'Via', switch: 'Cambio', switch_next: 'Tira', off_now: 'Esci', stay_on: 'Resta', stand_by: 'Poi a te', hold: 'Tieni', close_gap: 'Chiudi', latch_on: 'A ruota', ease: 'Piano', lift: 'Più forte', press_on: 'Passa', wait: 'Aspetta', go: 'Avanti', new_order: 'Ordine', all_in: 'A tutta', say: 'Ascolta', rested: 'Esci', adrift: 'Si stacca', out: 'Fuori', time: 'Tempo', spend: 'Ultimo' },
    about: { for: '', without: 'senza', behind: 'dietro' },
    terrain: { climb: 'Salita', descent: 'Discesa', flat: 'Pianura' },
    then: 'poi',
    taps: { good: 'Bene', empty: 'Vuoto', lost: 'Staccato', off: 'Esco', back: 'Dentro', stop: 'Mi fermo', hold: 'tieni' },
  },
  nl: {
    doing: { lead: 'Kop', follow: 'Volg', drift: 'Zakken', latch: 'Aan', adrift: 'Gelost', waited: 'Kom bij', alone: 'Alleen', out: 'Uit', off: 'Eraf', ready: 'Klaar', done: 'Finish' },
    cue: { stop: 'Stop', start: 'Gaan', switch: 'Wissel', switch_next: 'Kop', off_now: 'Van kop', stay_on: 'Blijf', stand_by: 'Zo kop', hold: 'Houd', close_gap: 'Gat dicht', latch_on: 'Pik aan', ease: 'Rustig', lift: 'Harder', press_on: 'Rij door', wait: 'Wacht', go: 'Verder', new_order: 'Orde', all_in: 'Volle bak', say: 'Luister', rested: 'Van kop', adrift: 'Gelost', out: 'Uit koers', time: 'Tijd', spend: 'Laatste' },
    about: { for: 'op', without: 'zonder', behind: 'achter' },
    terrain: { climb: 'Klim', descent: 'Daling', flat: 'Vlak' },
    then: 'dan',
    taps: { good: 'Goed', empty: 'Leeg', lost: 'Gelost', off: 'Eraf', back: 'Terug', stop: 'Moet stoppen', hold: 'vast' },
  },
}

/** @param {string} language @returns {Words} */
export function wordsIn(language) {
  return WORDS[language] ?? /** @type {Words} */ (WORDS.en)
}
