#include "core/cautions.h"

#include <array>

namespace trunnion {

std::string_view cautions_rule() {
  return "Cautions, not a risk assessment: local rules and qualified staff come first.";
}

std::span<const Caution> cautions() {
  static constexpr std::array<Caution, 7> kCautions{{
      {"Specimen",
       "Old specimens can carry arsenic, mercury, pesticides, dust and mould; some minerals and "
       "fossils are radioactive. Ask the collection's staff first. Gloves, no blowing, no food or "
       "drink, wash hands."},
      {"Sharp parts",
       "Pins, needles, blades and broken glass: point them away from hands and face, and put them "
       "into a sharps container."},
      {"Fluids",
       "Ethanol and other solvents burn; formalin, naphthalene and paradichlorobenzene are "
       "poisonous. Follow the safety data sheet, ventilate, and keep fluid and vapour away from "
       "flash tubes, hot lamps, relays and motors."},
      {"Flashing light",
       "Flashes can trigger seizures in photosensitive people. Keep below 3 flashes a second, "
       "screen the rig, and warn everybody in the room."},
      {"Eyes", "Never look into a flash, a bright LED or an ultraviolet lamp."},
      {"Electricity",
       "Flash capacitors keep a lethal charge after they are switched off. Never open flash units "
       "or mains lamps; keep liquids away from supplies; repairs only by a qualified electrician."},
      {"Moving stage",
       "Stage and rail move by themselves, close to lens and specimen. Turn once by hand, set "
       "limits, keep a stop switch in reach, and keep fingers, hair and cables clear."},
  }};
  return kCautions;
}

}  // namespace trunnion
