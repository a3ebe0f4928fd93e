// Each role may do what those before it may.
export const ROLES = ["assistant", "reader", "veterinarian", "administrator"];

/** The roles that may do no more than `role`, the highest first. */
export const rolesUpTo = (role) => ROLES.slice(0, ROLES.indexOf(role) + 1).reverse();

/** Whether the session's person may do what a veterinarian may. */
export const isVeterinarian = (session) => ROLES.indexOf(session.hospital.role) >= ROLES.indexOf("veterinarian");
