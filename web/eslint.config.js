import js from '@eslint/js'
import globals from 'globals'

const ONE_CLOCK = 'Only web/lib/race-clock.js reads a clock: ask it.'
const FEW_TIMERS = 'Only web/lib waits for time to pass; draw in live.onFrame() or answer a message.'

const noClocks = {
  'no-restricted-properties': [
    'error',
    { object: 'Date', property: 'now', message: ONE_CLOCK },
    { object: 'performance', property: 'now', message: ONE_CLOCK },
  ],
  'no-restricted-globals': [
    'error',
    { name: 'setTimeout', message: FEW_TIMERS },
    { name: 'setInterval', message: FEW_TIMERS },
    { name: 'requestAnimationFrame', message: FEW_TIMERS },
    { name: 'performance', message: ONE_CLOCK },
    { name: 'Date', message: ONE_CLOCK },
    { name: 'WebSocket', message: 'Only web/lib/socket.js opens a socket.' },
    { name: 'AudioContext', message: 'Only web/lib/voice.js makes sound.' },
  ],
}

export default [
  { ignores: ['node_modules/**'] },
  js.configs.recommended,
  {
    files: ['**/*.js'],
    languageOptions: { ecmaVersion: 2022, sourceType: 'module', globals: globals.browser },
    rules: {
      eqeqeq: 'error',
      'no-var': 'error',
      'prefer-const': 'error',
      'no-unused-vars': ['error', { argsIgnorePattern: '^_' }],
      'no-restricted-syntax': [
        'error',
        {
          selector: "MemberExpression[property.name=/^(innerHTML|outerHTML|insertAdjacentHTML)$/]",
          message: 'Text never becomes markup: use lib/html.js.',
        },
      ],
      ...noClocks,
    },
  },
  {
    // lib is beneath parts, parts beneath pages.
    files: ['lib/**'],
    rules: { 'no-restricted-imports': ['error', { patterns: ['**/parts/**', '**/pages/**'] }] },
  },
  {
    files: ['parts/**'],
    rules: { 'no-restricted-imports': ['error', { patterns: ['**/pages/**', '**/socket.js', '**/live.js'] }] },
  },
  // The exceptions, each for its one reason.
  { files: ['lib/race-clock.js'], rules: { 'no-restricted-properties': 'off', 'no-restricted-globals': 'off' } },
  { files: ['lib/cue-player.js', 'lib/offline.js', 'lib/socket.js', 'lib/voice.js'], rules: { 'no-restricted-globals': 'off' } },
  { files: ['sw.js'], languageOptions: { globals: globals.serviceworker, sourceType: 'script' }, rules: { 'no-restricted-globals': 'off' } },
  { files: ['lib/tick-worker.js'], languageOptions: { globals: globals.worker }, rules: { 'no-restricted-globals': 'off' } },
  { files: ['lib/theme.js'], languageOptions: { sourceType: 'script' } },
]
