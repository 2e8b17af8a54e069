// Every word of the pairing page, which a device sees before it is paired.
export default {
  'title': 'Pair this device',
  'how': 'At the station, open Set-up, choose “Pair a phone or tablet”, and type the code it shows. Once is enough.',
  'code': 'Code',
  'name': 'A name for this device',
  'send': 'Pair',
  'phone': 'Phone',
  'tablet': 'Tablet',
  'computer': 'Computer',
  'code-wrong': 'That code does not fit, or its five minutes are over. Ask the station for a new one.',
  'too-many': 'Too many tries. Wait a minute, then ask the station for a new code.',
  'failed': 'That did not work.',
  'away': 'The station can’t be reached. Is this device on the same network?',
};
